#!/usr/bin/env bash
# machines: how each kind of guest is started. Read in by run.sh.
# Each start_KIND SCRATCH MEMORY LIMIT runs SCRATCH/init in a guest to its end, at most LIMIT seconds, and leaves what
# the guest's console said in SCRATCH/console. The exit status says nothing: results come by file.
# shellcheck disable=SC2154 # root and build are those of run.sh

# A guest's memory is a file: in memory if there is room and code may be run from there, else on disk.
memory_folder() {
	local free
	free=$(df --output=avail -k /dev/shm 2>/dev/null | tail -n 1)
	if [ "${free:-0}" -gt 1048576 ] && ! findmnt -no OPTIONS /dev/shm 2>/dev/null | grep -qw noexec; then
		echo /dev/shm
	else
		echo "$1"
	fi
}

# start_uml BINARY SCRATCH MEMORY LIMIT [ARGUMENT...]
start_uml() {
	local binary=$1 scratch=$2 memory=$3 limit=$4
	shift 4
	mkdir -p "$scratch/uml"
	TMPDIR=$(memory_folder "$scratch") HOME=$scratch LD_PRELOAD=$build/bus/wide_xstate.so \
		timeout --kill-after=5 "$limit" "$binary" \
		mem="$memory" rootfstype=hostfs rootflags=/ ro init="$scratch/init" uml_dir="$scratch/uml" umid=guest \
		con=null con0=null,fd:1 con1=null quiet "$@" </dev/null >"$scratch/console" 2>&1 &
	guest=$!
	wait "$guest"
	guest=
}

start_debian() { start_uml /usr/bin/linux.uml "$@"; }

start_virtual() {
	local kernel
	if ! kernel=$("$root/scripts/uml-kernel.sh"); then
		echo "the virtual-time kernel could not be built" >"$1/console"
		return 1
	fi
	start_uml "$kernel" "$@" time-travel=inf-cpu
}

# Two SJA1000 controllers on one bus; the host's files over 9p. No hardware acceleration: the same everywhere.
start_qemu() {
	local scratch=$1 memory=$2 limit=$3 kernel
	if ! kernel=$("$root/scripts/qemu-kernel.sh"); then
		echo "Debian's kernel could not be had" >"$scratch/console"
		return 1
	fi
	sed -i "1a export QEMU_KERNEL='$kernel'" "$scratch/init"
	timeout --kill-after=5 "$limit" qemu-system-x86_64 -M pc -accel tcg -cpu max -m "${memory%M}" -smp 1 \
		-kernel "$kernel/vmlinux" -initrd "$kernel/initrd.gz" -nographic -no-reboot -nodefaults -serial mon:stdio \
		-append "console=ttyS0 quiet panic=-1 start=$scratch/init" \
		-virtfs "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap" \
		-virtfs "local,path=$scratch/out,mount_tag=out,security_model=none,multidevs=remap" \
		-object can-bus,id=canbus0 -device kvaser_pci,canbus=canbus0 -device kvaser_pci,canbus=canbus0 \
		</dev/null >"$scratch/console" 2>&1 &
	guest=$!
	wait "$guest"
	guest=
}
