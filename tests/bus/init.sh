# shellcheck shell=sh disable=SC2154 # the variables are put before it by run.sh
# init: the first program of a guest; run.sh puts the variables before it. Every guest sees the host's files read-only.
export PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 HOME=/run
# The shell runs its own mount through /proc/self/exe, and here /proc is still the host's: the full name.
/usr/bin/mount -t proc none /proc
mount -t sysfs none /sys
# A kernel of user mode may have devtmpfs and no devices in it.
mount -t devtmpfs none /dev 2>/dev/null
[ -c /dev/zero ] || {
	mount -t tmpfs none /dev
	for device in "null 3" "zero 5" "full 7" "random 8" "urandom 9"; do
		mknod -m 666 "/dev/${device% *}" c 1 "${device#* }"
	done
}
[ -e /dev/fd ] || ln -s /proc/self/fd /dev/fd
mount -t tmpfs none /run
mkdir -p /dev/pts /dev/shm /run/t
mount -t devpts -o newinstance,ptmxmode=0666 none /dev/pts
ln -sf pts/ptmx /dev/ptmx 2>/dev/null || { rm -f /dev/ptmx; ln -s pts/ptmx /dev/ptmx; }
mount -t tmpfs none /dev/shm
case $KERNEL in
debian)
	mount -t hostfs -o "$OUT" none "$OUT"
	modules=/usr/lib/uml/modules/$(uname -r)/kernel
	for m in net/can/can net/can/can-raw drivers/net/can/dev/can-dev drivers/net/can/vcan drivers/net/can/slcan/slcan; do
		busybox insmod "$modules/$m.ko" || echo "init: no module $m"
	done
	;;
qemu)
	mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144 out "$OUT"
	for m in can-raw vcan kvaser_pci slcan; do /usr/sbin/modprobe -d "$QEMU_KERNEL" "$m" || echo "init: no module $m"; done
	;;
virtual) mount -t hostfs -o "$OUT" none "$OUT" ;;
esac
ip link set lo up 2>/dev/null
export TMPDIR=/run/t
cd "$ROOT" || exec busybox poweroff -f
bash -c '. tests/bus/lib.bash; . "$TEST"; finish' >"$OUT/log" 2>&1 </dev/null
echo $? >"$OUT/status"
sync
exec busybox poweroff -f
