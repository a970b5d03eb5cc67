#!/usr/bin/env bash
# run: the tests of this folder, each in a machine of its own with the real SocketCAN stack.
# usage: tests/bus/run.sh [NAME...]      NAME of tests/bus/NAME.test; none: all but those that name a group
#        tests/bus/run.sh --group GROUP  those of that group
# A test is a bash script that runs as root inside the guest, with lib.bash read in. Its head says what it needs:
#   # rig: kernel=debian|virtual|qemu mem=128M timeout=60 group=NAME
#     debian   Debian's user-mode Linux; virtual: the one of scripts/uml-kernel.sh, in which time is not real but
#              jumps to the next thing that happens; qemu: Debian's kernel on an emulated PC with two CAN controllers
# B is the build folder (build). KEEP=1 leaves the scratch folder of each test and says where.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
root=$PWD
build=$(realpath "${B:-build}")
export LC_ALL=C.UTF-8
# shellcheck source=tests/bus/machines.bash
. tests/bus/machines.bash

group='' names=()
while [ $# -gt 0 ]; do
	case $1 in
	--group)
		group=$2
		shift
		;;
	*) names+=("$1") ;;
	esac
	shift
done

# rig_value FILE KEY DEFAULT
rig_value() {
	local value
	value=$(sed -n "s/^# rig:.*\<$2=\([^ ]*\).*/\1/p" "$1" | head -n 1)
	echo "${value:-$3}"
}

if [ ${#names[@]} = 0 ]; then
	for test in tests/bus/*.test; do
		[ "$(rig_value "$test" group '')" = "$group" ] || continue
		names+=("$(basename "$test" .test)")
	done
fi

scratch='' guest=''
end_guest() { [ -z "$guest" ] || kill "$guest" 2>/dev/null; }
clean() { [ -z "$scratch" ] || [ -n "${KEEP:-}" ] || rm -rf "$scratch"; }
trap clean EXIT
trap 'end_guest; exit 130' INT TERM

# What stands between a result and the host is the file "status", written last.
run_test() {
	local name=$1 file=$root/tests/bus/$1.test kernel memory limit status
	[ -f "$file" ] || {
		echo "not ok - $name: there is no such test"
		return 1
	}
	kernel=$(rig_value "$file" kernel debian)
	memory=$(rig_value "$file" mem 128M)
	limit=$(rig_value "$file" timeout 60)
	scratch=$(mktemp -d "${TMPDIR:-/tmp}/lull-bus.XXXXXX")
	mkdir "$scratch/out"
	{
		echo '#!/bin/busybox sh'
		printf 'export %s=%q\n' ROOT "$root" BUILD "$build" OUT "$scratch/out" KERNEL "$kernel" TEST "$file" \
			LULL_SHARED "${LULL_SHARED:-$root/../shared}" KILLS "${KILLS:-}" FRAMES "${FRAMES:-}"
		cat tests/bus/init.sh
	} >"$scratch/init"
	chmod +x "$scratch/init"
	"start_$kernel" "$scratch" "$memory" "$limit"
	status=$(cat "$scratch/out/status" 2>/dev/null || echo none)
	cat "$scratch/out/log" 2>/dev/null
	if [ "$status" = none ]; then
		echo "not ok - $name: the guest ended, or was ended after $limit s, before the test did; its console said:"
		tail -n 30 "$scratch/console" | sed 's/^/    | /'
		status=1
	fi
	[ -z "${KEEP:-}" ] || echo "kept: $scratch"
	clean
	scratch=
	[ "$status" = 0 ]
}

bad=0
for name in "${names[@]}"; do
	echo "--- $name"
	rc=0
	run_test "$name" || rc=1
	[ $rc = 0 ] || bad=1
	echo "--- exit $rc"
done
exit $bad
