#!/usr/bin/env bash
# cross: builds lull for other architectures and makes their packages: build/lull_VERSION_ARCH.deb
# usage: VERSION=0.2 MAN_FROM=build scripts/cross.sh ARCH...      (called by `make deb`; ARCH: amd64, arm64, armhf)
# The libraries come from the mirror of this machine, through a configuration of apt that is this script's alone, and
# are only unpacked: packages of another architecture beside the native ones would tie the versions of both together.
# Unit tests run under qemu-user. What cannot be had is left out and told; what fails to build or to pass is an error.
set -euo pipefail
cd "$(dirname "$0")/.."
version=${VERSION:?}
caches=${XDG_CACHE_HOME:-$HOME/.cache}/lull
jobs=${JOBS:-$(nproc)}
# Tests of arm64 are run; those of armhf too if asked for (TEST_ARCHS="arm64 armhf").
test_archs=${TEST_ARCHS:-arm64}

left_out() { echo "make deb: $arch was left out: $*"; }

# The entries of this machine's own distribution, as apt reads them, whatever the form of its lists of sources.
write_sources() {
	local codename
	# shellcheck source=/dev/null
	codename=$(. /etc/os-release && echo "${VERSION_CODENAME:-}")
	[ -n "$codename" ] || return 1
	# shellcheck disable=SC2016 # these are fields of apt
	apt-get indextargets --format '$(REPO_URI) $(RELEASE) $(COMPONENT)' 'Created-By: Packages' 2>/dev/null |
		sort -u | while read -r uri release component; do
		case $release in "$codename" | "$codename"-*) ;; *) continue ;; esac
		echo "deb [arch=$arch] $uri $release $component"
	done >"$cache/sources.list"
	[ -s "$cache/sources.list" ]
}

write_apt_conf() {
	mkdir -p "$cache"/{lists,archives,state}/partial "$cache/empty"
	: >"$cache/state/status"
	cat >"$cache/apt.conf" <<-C
		APT::Architecture "$arch";
		#clear APT::Architectures;
		APT::Architectures { "$arch"; };
		APT::Sandbox::User "$(id -un)";
		APT::Install-Recommends "false";
		#clear APT::Update::Pre-Invoke;
		#clear APT::Update::Post-Invoke;
		#clear APT::Update::Post-Invoke-Success;
		#clear DPkg::Pre-Install-Pkgs;
		Acquire::Languages "none";
		Dir::Etc::sourcelist "$cache/sources.list";
		Dir::Etc::sourceparts "$cache/empty";
		Dir::Etc::preferencesparts "$cache/empty";
		Dir::State "$cache/state";
		Dir::State::lists "$cache/lists";
		Dir::State::status "$cache/state/status";
		Dir::Cache "$cache";
		Dir::Cache::archives "$cache/archives";
		Dir::Log "$cache";
	C
}

# Nothing is installed here as far as this apt knows, so it fetches all that the libraries need, the C library too.
fetch() {
	local packages
	mapfile -t packages < <(scripts/setup.sh --print build | grep -E '^lib.*-dev$|^zlib1g-dev$')
	# With one index missing the others still serve: the libraries are linked against, never shipped.
	apt-get -c "$cache/apt.conf" -q update ||
		echo "make deb: $arch: not all package lists could be fetched, see build/$arch/fetch.log" >&3
	apt-get -c "$cache/apt.conf" -q autoclean || return 1
	apt-get -c "$cache/apt.conf" -q -y --download-only install "${packages[@]}" libcmocka-dev || return 1
}

# The root holds DEBIAN/shlibs and DEBIAN/symbols of all packages: there dpkg-shlibdeps looks for a library's package.
unpack() {
	local deb wanted link target file control=$cache/control
	wanted=$(cd "$cache/archives" && sha256sum ./*.deb)
	[ "$wanted" != "$(cat "$cache/unpacked" 2>/dev/null)" ] || return 0
	rm -rf "$sysroot" "$cache/unpacked"
	mkdir -p "$sysroot/DEBIAN"
	for deb in "$cache"/archives/*.deb; do
		dpkg-deb -x "$deb" "$sysroot"
		rm -rf "$control"
		dpkg-deb -e "$deb" "$control"
		for file in shlibs symbols; do
			[ ! -f "$control/$file" ] || cat "$control/$file" >>"$sysroot/DEBIAN/$file"
		done
	done
	rm -rf "$control"
	# Links that start at the root mean the root they were made for.
	find "$sysroot" -type l -lname '/*' | while read -r link; do
		target=$(readlink "$link")
		ln -sfn "$sysroot$target" "$link"
	done
	echo "$wanted" >"$cache/unpacked"
}

# Cases that need of the kernel what qemu-user does not pass on: their failure says nothing and is told as skipped.
# ethtool; seccomp, of which libseccomp finds no call
untestable="test_can_watch:test_coalescing test_privileges:each_call_is_answered"

# PROGRAM LOG: whether all that failed in it cannot be tested here; each such case is told.
excused() {
	local case failed
	mapfile -t failed < <(sed -n 's/^\[  FAILED  \] \([A-Za-z0-9_]*\)$/\1/p' "$2" | sort -u)
	[ ${#failed[@]} -gt 0 ] || return 1
	for case in "${failed[@]}"; do
		[[ " $untestable " == *" $1:$case "* ]] || return 1
	done
	for case in "${failed[@]}"; do
		echo "ok - $1: $case # SKIP qemu-user does not pass on the call that it needs"
	done
}

run_tests() {
	local source name log qemu=qemu-$machine-static bad=0 rc p=0 f=0 s=0 n
	# shellcheck disable=SC2016 # the inner shell's
	# Several at a time: under qemu-user the longest takes ten minutes.
	for source in tests/unit/test_*.c; do basename "$source" .c; done |
		xargs -P "$jobs" -I '{}' sh -c 'rc=0
			timeout 3600 "$1" -L "$2" "$3/tests/$4" >"$3/$4.log" 2>&1 || rc=$?
			echo $rc >"$3/$4.rc"' sh "$qemu" "$sysroot" "build/$arch" '{}'
	for source in tests/unit/test_*.c; do
		name=$(basename "$source" .c) log=build/$arch/$(basename "$source" .c).log
		rc=$(cat "build/$arch/$name.rc")
		n=$(sed -n 's/^\[  PASSED  \] \([0-9]*\) test.*/\1/p' "$log")
		p=$((p + ${n:-0}))
		n=$(sed -n 's/^\[  SKIPPED \] \([0-9]*\) test.*/\1/p' "$log")
		s=$((s + ${n:-0}))
		[ "$rc" != 0 ] || continue
		n=$(sed -n 's/^\[  FAILED  \] \([0-9]*\) test.*/\1/p' "$log")
		if excused "$name" "$log"; then
			s=$((s + n))
		else
			f=$((f + ${n:-1})) bad=1
			echo "not ok - $name: ended with $rc, see $log"
		fi
	done
	echo "unit tests of $arch under qemu-user: $p passed, $f failed, $s skipped"
	return $bad
}

# The kept captures through the program under qemu-user: each report must be to the letter what the native one is.
run_golden() {
	local lull=$PWD/build/$arch/lull-emulated log=build/$arch/golden.log
	printf '#!/bin/sh\nexec %s -L "%s" "%s" "$@"\n' "qemu-$machine-static" "$sysroot" "$PWD/build/$arch/lull" >"$lull"
	chmod +x "$lull"
	LULL=$lull tests/golden/run.sh >"$log" 2>&1 || {
		grep '^not ok' "$log" || tail -n 5 "$log"
		return 1
	}
	echo "golden reports of $arch under qemu-user: $(grep -c '^ok' "$log") passed"
}

one() {
	arch=$1
	case $arch in
	amd64) triplet=x86_64-linux-gnu machine=x86_64 ;;
	arm64) triplet=aarch64-linux-gnu machine=aarch64 ;;
	armhf) triplet=arm-linux-gnueabihf machine=arm ;;
	*)
		echo "cross.sh: no such architecture: $arch (amd64, arm64, armhf)" >&2
		return 2
		;;
	esac
	cache=$caches/cross-$arch sysroot=$caches/cross-$arch/root
	local tool
	for tool in apt-get dpkg-deb pkg-config dh "$triplet-gcc" "$triplet-strip"; do
		command -v "$tool" >/dev/null || {
			left_out "needs $tool (scripts/setup.sh cross)"
			return 0
		}
	done
	mkdir -p "$cache" "build/$arch"
	write_apt_conf
	write_sources || {
		left_out "apt knows no source of this machine's own release"
		return 0
	}
	if ! fetch 3>&2 >"build/$arch/fetch.log" 2>&1; then
		left_out "its libraries could not be fetched: $(tail -n 1 "build/$arch/fetch.log")"
		return 0
	fi
	unpack

	local made=(B="build/$arch" CC="$triplet-gcc --sysroot=$sysroot" AR="$triplet-ar")
	export PKG_CONFIG_SYSROOT_DIR=$sysroot
	export PKG_CONFIG_LIBDIR=$sysroot/usr/lib/$triplet/pkgconfig:$sysroot/usr/share/pkgconfig
	local goals=(all)
	case " $test_archs " in *" $arch "*) goals+=(unit-build) ;; esac
	make -s -j"$jobs" "${made[@]}" "${goals[@]}"
	if command -v "qemu-$machine-static" >/dev/null; then
		run_golden
		[ ${#goals[@]} = 1 ] || run_tests
	else
		echo "make deb: the tests of $arch were left out: needs qemu-$machine-static (scripts/setup.sh cross)"
	fi
	ARCH=$arch SYSROOT=$sysroot B=build/$arch scripts/deb.sh
}

[ $# -gt 0 ] || {
	echo "usage: VERSION=0.2 scripts/cross.sh ARCH..." >&2
	exit 2
}
export VERSION=$version
unset MAKEFLAGS MFLAGS MAKELEVEL MAKEOVERRIDES
status=0
for each in "$@"; do
	# A shell of its own, in which the first command that fails ends the work on this architecture.
	(set -e; one "$each") &
	wait $! || {
		echo "make deb: $each failed" >&2
		status=1
	}
done
exit $status
