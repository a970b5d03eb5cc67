#!/usr/bin/env bash
# setup: installs the Debian packages that are missing, and only those.
# usage: scripts/setup.sh [--print] build [test] [package] [cross] [pi]
#   build    what building and running needs
#   test     what the tests need besides, those of the package too
#   package  what a package needs besides
#   cross    what packages for other architectures need besides
#   pi       what the emulated arm64 Debian needs besides, those of cross too
# --print: says what the groups hold and installs nothing.
# Says what it would install and asks before it uses sudo; as root or without a terminal it goes ahead.
set -euo pipefail

build_packages=(gcc make pkgconf libc6-dev libpcap-dev libsqlite3-dev libinih-dev libjansson-dev libgsl-dev
	zlib1g-dev libzstd-dev libsocketcan-dev libnl-3-dev libcap-dev libiio-dev libsystemd-dev libseccomp-dev libgpiod-dev
	libmicrohttpd-dev libqrencode-dev libjs-dygraphs libncurses-dev uuid-dev libxxhash-dev)
package_packages=(dpkg-dev debhelper help2man)
test_packages=(libcmocka-dev clang cppcheck clang-tidy clang-format shellcheck valgrind binutils time
	tcpdump tshark python3 python3-can python3-scipy python3-numpy r-base-core r-cran-strucchange sqlite3 jq
	gzip unzip zstd chromium chromium-driver python3-selenium mandoc tmux "${package_packages[@]}" lintian
	systemd user-mode-linux busybox-static iproute2 linux-source-6.1 flex bison bc xz-utils qemu-system-x86 cpio kmod)

cross_packages=("${package_packages[@]}" qemu-user-static)
host=$(dpkg --print-architecture 2>/dev/null || :)
[ "$host" = amd64 ] || cross_packages+=(gcc-x86-64-linux-gnu)
[ "$host" = arm64 ] || cross_packages+=(gcc-aarch64-linux-gnu)
[ "$host" = armhf ] || cross_packages+=(gcc-arm-linux-gnueabihf)

pi_packages=("${cross_packages[@]}" qemu-system-arm mmdebstrap arch-test e2fsprogs cpio kmod)

# The sanitizers and the fuzzer of clang come in a package that carries clang's version.
clang_runtime() {
	local major
	if command -v clang >/dev/null; then
		major=$(clang -dumpversion | cut -d. -f1)
	else
		major=$(apt-cache depends clang 2>/dev/null | sed -n 's/.*Depends: clang-\([0-9]*\)$/\1/p' | sed -n 1p)
	fi
	echo "libclang-rt-${major:-14}-dev"
}

wanted=() print=
[ "${1:-}" != --print ] || {
	print=1
	shift
}
for group in "$@"; do
	case $group in
	build) wanted+=("${build_packages[@]}") ;;
	test) wanted+=("${test_packages[@]}" "$(clang_runtime)") ;;
	package) wanted+=("${package_packages[@]}") ;;
	cross) wanted+=("${cross_packages[@]}") ;;
	pi) wanted+=("${pi_packages[@]}") ;;
	*)
		echo "setup.sh: no such group: $group (build, test, package, cross, pi)" >&2
		exit 2
		;;
	esac
done
[ ${#wanted[@]} -gt 0 ] || {
	echo "usage: scripts/setup.sh [--print] build [test] [package] [cross] [pi]" >&2
	exit 2
}
[ -z "$print" ] || {
	printf '%s\n' "${wanted[@]}"
	exit 0
}

if ! command -v dpkg-query >/dev/null; then
	echo "setup: this is no Debian system, so nothing is installed. Needed, by their Debian names:"
	echo "  ${wanted[*]}"
	exit 0
fi

list_missing() {
	local have
	have=$(dpkg-query -W -f '${Package} ${db:Status-Status}\n' "${wanted[@]}" 2>/dev/null |
		awk '$2 == "installed" { print $1 }' || :)
	missing=()
	local p
	for p in "${wanted[@]}"; do
		grep -qxF "$p" <<<"$have" || missing+=("$p")
	done
}
list_missing
[ ${#missing[@]} -gt 0 ] || exit 0

echo "setup: these Debian packages are missing and get installed with apt:"
printf '  %s\n' "${missing[*]}" | fold -s -w 78
as_root=()
if [ "$(id -u)" != 0 ]; then
	command -v sudo >/dev/null || {
		echo "setup: neither root nor sudo here. As root: apt-get install ${missing[*]}" >&2
		exit 1
	}
	as_root=(sudo)
	if [ -t 0 ] && [ -t 1 ]; then
		read -r -p "Use sudo to install them? [y/N] " answer
		case $answer in
		[yY] | [yY][eE][sS]) ;;
		*)
			echo "setup: nothing was installed." >&2
			exit 1
			;;
		esac
	else
		as_root=(sudo -n)
	fi
fi
as_root+=(env DEBIAN_FRONTEND=noninteractive)
"${as_root[@]}" apt-get -q update
"${as_root[@]}" apt-get -q install -y --no-install-recommends "${missing[@]}"

# A clang that has just come may be of another version than apt-cache told.
list_missing
[ ${#missing[@]} -eq 0 ] || {
	echo "setup: still missing after the installation: ${missing[*]}" >&2
	exit 1
}
