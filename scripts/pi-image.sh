#!/usr/bin/env bash
# pi-image: the emulated arm64 Debian of tests/pi: kernel, initrd and disk, made of packages.
# usage: scripts/pi-image.sh PACKAGE.deb      prints the folder: vmlinuz, initrd.gz, disk.img
# Needs what `scripts/cross.sh arm64` leaves: the configuration of apt for arm64, with its lists fetched. The disk holds no lull: PACKAGE
# only says what lull depends on, and these packages lie in the disk's apt cache, so that apt installs lull there without a network.
# Kept in ${XDG_CACHE_HOME:-$HOME/.cache}/lull/pi-arm64-KEY; KEY is made of all package versions and of this script. It is built aside
# and renamed when it is whole; older ones are removed then.
set -euo pipefail
export LC_ALL=C.UTF-8
package=$(realpath "${1:?usage: scripts/pi-image.sh PACKAGE.deb}")
caches=${XDG_CACHE_HOME:-$HOME/.cache}/lull
conf=$caches/cross-arm64/apt.conf
guest_packages=(systemd systemd-sysv dbus udev kmod iproute2 sqlite3 jq procps libcmocka0)

die() {
	echo "pi-image: $*" >&2
	exit 1
}
[ -f "$conf" ] || die "there is no $conf: run scripts/cross.sh arm64 first"
[ "$(id -u)" = 0 ] || die "needs root, to unpack a system with its owners"
for tool in mmdebstrap mke2fs cpio depmod qemu-aarch64-static arch-test; do
	command -v "$tool" >/dev/null || die "needs $tool (scripts/setup.sh pi)"
done

depends=$(dpkg-deb --field "$package" Depends)
kernel=$(apt-cache -c "$conf" depends linux-image-arm64 | sed -n 's/.*Depends: *\(linux-image-[0-9].*\)/\1/p' | head -n 1)
[ -n "$kernel" ] || die "no package linux-image-arm64 is known"
version=${kernel#linux-image-}
separated=$(printf ', %s' "${guest_packages[@]}")
key=$({
	apt-get -c "$conf" -s satisfy "${separated:2}, $depends" | grep '^Inst ' | sort
	apt-cache -c "$conf" policy "$kernel" busybox-static | grep -E '^[a-z]|Candidate:'
	cat "$0"
} | sha256sum | cut -c1-16)
folder=$caches/pi-arm64-$key
if [ -d "$folder" ]; then
	echo "$folder"
	exit 0
fi
exec 9>"$caches/pi-arm64.lock"
flock 9
[ ! -d "$folder" ] || {
	echo "$folder"
	exit 0
}

work=$(mktemp -d "$caches/make-pi.XXXXXX")
clean() {
	# What was not there before goes again. Where it was there, nothing was registered.
	case $(cat "$work/registered" 2>/dev/null) in
	mounted) umount /proc/sys/fs/binfmt_misc ;;
	added) echo -1 >/proc/sys/fs/binfmt_misc/qemu-aarch64 ;;
	esac
	rm -rf "$work"
}
trap clean EXIT

# Programs of arm64 are run by qemu-user while the packages are configured.
register() {
	local binfmt=/proc/sys/fs/binfmt_misc
	[ ! -e $binfmt/qemu-aarch64 ] || return 0
	if [ -e $binfmt/register ]; then
		echo added >"$work/registered"
	else
		mount -t binfmt_misc none $binfmt
		echo mounted >"$work/registered"
	fi
	cat /usr/lib/binfmt.d/qemu-aarch64.conf >$binfmt/register
}

make_root() {
	mmdebstrap --arch=arm64 --variant=apt --format=directory --skip=cleanup/apt/lists \
		--include="$(IFS=,; echo "${guest_packages[*]}")" \
		--aptopt='Acquire::Languages "none"' --aptopt='APT::Install-Recommends "false"' --aptopt='APT::Sandbox::User "root"' \
		--dpkgopt='path-exclude=/usr/share/man/*' --dpkgopt='path-exclude=/usr/share/locale/*' \
		--dpkgopt='path-exclude=/usr/share/doc/*' \
		--customize-hook="chroot \"\$1\" apt-get -y -q --download-only satisfy \"$depends\"" \
		--customize-hook='cp -a "$1/var/cache/apt/archives" "$1/var/cache/kept"' \
		"$(. /etc/os-release && echo "$VERSION_CODENAME")" "$work/root" "$caches/cross-arm64/sources.list"
	rm -rf "$work/root/var/cache/apt/archives"
	mv "$work/root/var/cache/kept" "$work/root/var/cache/apt/archives"
}

# The kernel is unpacked, not installed: no initramfs is made under emulation. Modules: all but graphics, sound and wireless.
make_kernel() {
	local from=$work/kernel to=$work/root/lib/modules/$version dir
	mkdir "$work/fetched"
	(cd "$work/fetched" && apt-get -c "$conf" -q download "$kernel" busybox-static)
	dpkg -x "$work/fetched/$kernel"_*.deb "$from"
	dpkg -x "$work"/fetched/busybox-static_*.deb "$work/busybox"
	depmod -b "$from" "$version"
	mkdir -p "$to"
	cp "$from/lib/modules/$version"/modules.* "$to/"
	for dir in arch block crypto fs lib net mm drivers/net/can drivers/net/slip drivers/virtio drivers/block drivers/char drivers/tty drivers/pci; do
		[ -e "$from/lib/modules/$version/kernel/$dir" ] || continue
		mkdir -p "$to/kernel/$(dirname "$dir")"
		cp -a "$from/lib/modules/$version/kernel/$dir" "$to/kernel/$(dirname "$dir")/"
	done
	depmod -b "$work/root" "$version"
}

# Disk and 9p are modules in this kernel.
make_initrd() {
	local root=$work/initrd module file
	mkdir -p "$root"/{bin,modules,dev,proc,sys,root}
	cp "$work/busybox/bin/busybox" "$root/bin/"
	for module in virtio_mmio virtio_pci virtio_blk ext4 virtio_rng; do
		modprobe -d "$work/kernel" -S "$version" --show-depends "$module"
	done | sed -n 's/^insmod \([^ ]*\).*/\1/p' | while read -r file; do
		[ -e "$root/modules/$(basename "$file")" ] && continue
		cp "$file" "$root/modules/"
		basename "$file" >>"$root/order"
	done
	cat >"$root/init" <<-'I'
		#!/bin/busybox sh
		/bin/busybox mount -t devtmpfs none /dev
		for m in $(/bin/busybox cat /order); do /bin/busybox insmod /modules/$m; done
		n=0
		while [ ! -b /dev/vda ] && [ $n -lt 100 ]; do
			/bin/busybox sleep 0.1
			n=$((n + 1))
		done
		/bin/busybox mount -t ext4 -o rw,noatime /dev/vda /root
		/bin/busybox mount --move /dev /root/dev
		exec /bin/busybox switch_root /root /sbin/init
	I
	chmod +x "$root/init"
	(cd "$root" && find . | cpio --quiet -o -H newc | gzip -1) >"$work/ready/initrd.gz"
}

# What the host wants run is /out/script; its exit status comes back in /out/status, written last.
make_guest() {
	local root=$work/root unit
	cat >"$root/etc/fstab" <<-F
		/dev/vda / ext4 defaults,noatime 0 1
		host /host 9p trans=virtio,version=9p2000.L,ro,msize=262144,cache=loose 0 0
		out /out 9p trans=virtio,version=9p2000.L,msize=262144 0 0
	F
	mkdir -p "$root/host" "$root/out"
	echo lull-test >"$root/etc/hostname"
	echo uninitialized >"$root/etc/machine-id"
	cat >"$root/etc/systemd/system/host-script.service" <<-'U'
		[Unit]
		Description=what the host wants run
		[Service]
		Type=exec
		StandardOutput=file:/out/log
		StandardError=inherit
		ExecStart=/bin/bash /out/script
		ExecStopPost=/bin/sh -c 'echo "$EXIT_STATUS" >/out/status; sync; systemctl --no-block poweroff'
		TimeoutStartSec=infinity
		[Install]
		WantedBy=multi-user.target
	U
	mkdir -p "$root/etc/systemd/system/multi-user.target.wants"
	ln -s ../host-script.service "$root/etc/systemd/system/multi-user.target.wants/"
	# None of these has work in a machine that lives for minutes.
	for unit in apt-daily.timer apt-daily-upgrade.timer dpkg-db-backup.timer e2scrub_all.timer fstrim.timer getty@tty1.service \
		serial-getty@ttyAMA0.service systemd-firstboot.service; do
		ln -sf /dev/null "$root/etc/systemd/system/$unit"
	done
}

# A shell of its own, in which the first command that fails ends the work.
mkdir "$work/ready"
(
	set -e
	register
	make_root
	make_kernel
	make_initrd
	make_guest
	cp "$work/kernel/boot/vmlinuz-$version" "$work/ready/vmlinuz"
	truncate -s 1500M "$work/ready/disk.img"
	mke2fs -q -t ext4 -O ^has_journal -m 0 -d "$work/root" "$work/ready/disk.img"
) >"$caches/pi-arm64.log" 2>&1 &
wait $! || {
	tail -n 20 "$caches/pi-arm64.log" >&2
	die "the system could not be made, see $caches/pi-arm64.log"
}
rm -rf "$caches"/pi-arm64-*/
chmod 755 "$work/ready"
mv "$work/ready" "$folder"
echo "$folder"
