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
# For scripts/pi.sh: UNITS=quick leaves out the unit programs that take minutes, CLI=yes runs the tests of the command line too, and GOALS
# are more things to build.
units=${UNITS:-all} cli=${CLI:-no} more_goals=${GOALS:-}
slow_units=" test_lineup test_simulate_current test_levels test_levels_outside test_simulate test_torn test_store_foreign test_draw_lineup
	test_retime test_capture_outside test_many test_store_nights "

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
	mapfile -t packages < <(scripts/setup.sh --print build | grep -e '-dev$')
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
	local source name names=() log qemu=qemu-$machine-static bad=0 rc p=0 f=0 s=0 n
	for source in tests/unit/test_*.c; do
		name=$(basename "$source" .c)
		if [ "$units" = quick ] && [[ $slow_units == *[[:space:]]${name}[[:space:]]* ]]; then continue; fi
		names+=("$name")
	done
	# Several at a time; a test that takes a sample of many nights takes a tenth of it, as under sanitizers.
	# shellcheck disable=SC2016 # the inner shell's
	printf '%s\n' "${names[@]}" |
		LULL_TEST_SHARE=10 xargs -P "$jobs" -I '{}' sh -c 'rc=0
			timeout 3600 "$1" -L "$2" "$3/tests/$4" >"$3/$4.log" 2>&1 || rc=$?
			echo $rc >"$3/$4.rc"' sh "$qemu" "$sysroot" "build/$arch" '{}'
	for name in "${names[@]}"; do
		log=build/$arch/$name.log
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

# The programs, so that whoever starts them need not know that they are emulated.
write_emulated() {
	local program
	emulated=$PWD/build/$arch/emulated
	mkdir -p "$emulated"
	for program in lull lulld; do
		printf '#!/bin/sh\nexec %s -L "%s" "%s" "$@"\n' "qemu-$machine-static" "$sysroot" "$PWD/build/$arch/$program" >"$emulated/$program"
		chmod +x "$emulated/$program"
	done
}

# The kept captures through the program under qemu-user: each report must be to the letter what the native one is; so must the README.
run_golden() {
	local log=build/$arch/golden.log bad=0
	LULL=$emulated/lull tests/golden/run.sh >"$log" 2>&1 || bad=1
	if [ "$cli" = yes ]; then B=build/$arch/emulated tests/golden/readme.sh >>"$log" 2>&1 || bad=1; fi
	[ $bad = 0 ] || grep '^not ok' "$log" || tail -n 5 "$log"
	echo "golden reports of $arch under qemu-user: $(grep -c '^ok' "$log") passed, $(grep -c '^not ok' "$log") failed"
	return $bad
}

# Scripts that say nothing of an emulated program, each with its reason.
declare -A cli_left_out=(
	[service]="it installs and packs what was built for this machine; that of arm64 is tested in its guest"
	[package]="it makes and checks this machine's package; that of arm64 is tested in its guest"
	[manual]="it makes the pages from the programs' help, which is the same text on every machine"
)

run_cli() {
	local script name names=() log bad=0 rc p=0
	for script in tests/cli/*.sh; do
		name=$(basename "$script" .sh)
		if [ -n "${cli_left_out[$name]:-}" ]; then
			echo "ok - $arch under qemu-user: tests/cli/$name.sh # SKIP ${cli_left_out[$name]}"
		else
			names+=("$name")
		fi
	done
	# shellcheck disable=SC2016 # the inner shell's
	printf '%s\n' "${names[@]}" | xargs -P "$jobs" -I '{}' sh -c 'rc=0
		LULL=$1/lull timeout 3600 "tests/cli/$3.sh" >"$2/cli-$3.log" 2>&1 || rc=$?
		echo $rc >"$2/cli-$3.rc"' sh "$emulated" "build/$arch" '{}'
	for name in "${names[@]}"; do
		log=build/$arch/cli-$name.log rc=$(cat "build/$arch/cli-$name.rc")
		p=$((p + $(grep '^ok' "$log" | grep -vc '# SKIP')))
		grep '^ok .*# SKIP' "$log" || :
		[ "$rc" != 0 ] || continue
		bad=1
		grep '^not ok' "$log" || echo "not ok - tests/cli/$name.sh: ended with $rc, see $log"
	done
	echo "command-line tests of $arch under qemu-user: $p passed"
	return $bad
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
	local goals=(all) bad=0
	# shellcheck disable=SC2206 # these are words
	goals+=($more_goals)
	case " $test_archs " in *" $arch "*) goals+=(unit-build) ;; esac
	make -s -j"$jobs" "${made[@]}" "${goals[@]}"
	if command -v "qemu-$machine-static" >/dev/null; then
		write_emulated
		run_golden || bad=1
		case " $test_archs " in *" $arch "*) run_tests || bad=1 ;; esac
		[ "$cli" = no ] || run_cli || bad=1
		[ $bad = 0 ]
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
