#!/usr/bin/env bash
# run: the arm64 package in an emulated arm64 Debian, with systemd and the real SocketCAN stack.
# usage: PACKAGE=build/lull_VERSION_arm64.deb tests/pi/run.sh [NAME...]      NAME of tests/pi/NAME.test; none: all of them
# A test is a bash script that runs as root inside the guest, with lib.bash read in, in a system that is fresh each time. Its head says
# what it needs:
#   # guest: clock=real|virtual timeout=SECONDS (of the host)
#     real     two processors, time as it is; virtual: one, and an idle guest's clock jumps to what happens next
# NAME.before and NAME.after, where there are such, run on the host before and after it, with OUT, ROOT and LULL (the host's program).
# The guest sees the tree at /host, read-only, and OUT at /out. B is the arm64 build (build/arm64), NATIVE the host's (build/gcc).
# KEEP=1 leaves the scratch folder of each test and says where.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
root=$PWD
build=${B:-build/arm64} native=$(realpath "${NATIVE:-build/gcc}")
package=$(realpath "${PACKAGE:?the arm64 package}")
export LC_ALL=C.UTF-8

names=("$@")
if [ ${#names[@]} = 0 ]; then
	for test in tests/pi/*.test; do names+=("$(basename "$test" .test)"); done
fi

# guest_value FILE KEY DEFAULT
guest_value() {
	local value
	value=$(sed -n "s/^# guest:.*\<$2=\([^ ]*\).*/\1/p" "$1" | head -n 1)
	echo "${value:-$3}"
}

scratch='' guest=''
clean() { [ -z "$scratch" ] || [ -n "${KEEP:-}" ] || rm -rf "$scratch"; }
trap clean EXIT
trap '[ -z "$guest" ] || kill "$guest" 2>/dev/null; exit 130' INT TERM

# The same package under a version that comes before it: what is installed first, and upgraded.
older_package() {
	local version
	version=$(dpkg-deb --field "$package" Version)
	dpkg-deb -R "$package" "$scratch/older" &&
		sed -i "s/^Version: .*/Version: $version~before/" "$scratch/older/DEBIAN/control" &&
		dpkg-deb --root-owner-group -Znone --build "$scratch/older" "$OUT/older.deb" >/dev/null &&
		cp "$package" "$OUT/newer.deb"
}

# shellcheck disable=SC2054 # commas belong to qemu's options
# cortex-a72, not max: that is much slower, since its pointer authentication is done by software.
start_guest() {
	local clock=$1 limit=$2
	local machine=(-M virt -cpu cortex-a72 -m 1024 -nographic -no-reboot -nic none
		-kernel "$image/vmlinuz" -initrd "$image/initrd.gz"
		-drive "file=$image/disk.img,format=raw,if=none,id=d,snapshot=on,cache=unsafe" -device virtio-blk-pci,drive=d
		-device virtio-rng-pci
		-fsdev "local,id=host,path=$root,security_model=none,readonly=on" -device virtio-9p-pci,fsdev=host,mount_tag=host
		-fsdev "local,id=out,path=$OUT,security_model=none" -device virtio-9p-pci,fsdev=out,mount_tag=out)
	local append="console=ttyAMA0 root=/dev/vda rw net.ifnames=0 quiet loglevel=4"
	case $clock in
	real) machine+=(-smp 2 -accel tcg,thread=multi) ;;
	# The clock of an idle guest jumps while a disk answers, too: no start may run into a limit.
	virtual)
		machine+=(-smp 1 -accel tcg,thread=single -icount shift=0,sleep=off -rtc clock=vm)
		append+=" systemd.default_timeout_start_sec=infinity"
		;;
	esac
	timeout --kill-after=5 "$limit" qemu-system-aarch64 "${machine[@]}" -append "$append" \
		</dev/null >"$scratch/console" 2>&1 &
	guest=$!
	wait "$guest"
	guest=
}

# What stands between a result and the host is the file "status", written last.
run_test() {
	local name=$1 file=tests/pi/$1.test limit status bad=0 begin=$SECONDS
	[ -f "$file" ] || {
		echo "not ok - $name: there is no such test"
		return 1
	}
	limit=$(guest_value "$file" timeout 900)
	scratch=$(mktemp -d "${TMPDIR:-/tmp}/lull-pi.XXXXXX")
	export OUT=$scratch/out ROOT=$root LULL=$native/lull
	mkdir "$OUT"
	{
		printf 'export %s=%q\n' ROOT /host BUILD "/host/$build" OUT /out LC_ALL C.UTF-8 DEBIAN_FRONTEND noninteractive TMPDIR /run/t
		printf '%s\n' 'mkdir -p /run/t' 'cd /host || exit 1' '. tests/pi/lib.bash' ". $file" finish
	} >"$OUT/script"
	older_package || {
		echo "not ok - $name: the package could not be made anew under an older version"
		return 1
	}
	if [ -x "tests/pi/$name.before" ]; then "tests/pi/$name.before" || bad=1; fi
	start_guest "$(guest_value "$file" clock real)" "$limit"
	status=$(cat "$OUT/status" 2>/dev/null || echo none)
	cat "$OUT/log" 2>/dev/null
	if [ "$status" = none ]; then
		echo "not ok - $name: the guest ended, or was ended after $limit s, before the test did; its console said:"
		tail -n 30 "$scratch/console" | sed 's/^/    | /'
		bad=1
	elif [ -x "tests/pi/$name.after" ]; then
		"tests/pi/$name.after" || bad=1
	fi
	echo "$name: $((SECONDS - begin)) s"
	[ -z "${KEEP:-}" ] || echo "kept: $scratch"
	clean
	scratch=
	[ "$status" = 0 ] && [ $bad = 0 ]
}

if ! image=$(scripts/pi-image.sh "$package"); then
	echo "not ok - an arm64 Debian could not be made"
	exit 1
fi
bad=0
for name in "${names[@]}"; do
	echo "--- $name"
	rc=0
	run_test "$name" || rc=1
	[ $rc = 0 ] || bad=1
	echo "--- exit $rc"
done
exit $bad
