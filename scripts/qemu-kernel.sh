#!/usr/bin/env bash
# qemu-kernel: Debian's kernel and modules for the emulated PC of the bus tests, taken out of their package and not installed.
# usage: scripts/qemu-kernel.sh      prints the folder: vmlinux, initrd, modules/
# Kept outside the tree, in ${XDG_CACHE_HOME:-$HOME/.cache}/lull, under the kernel's version. The initrd finds the
# host's files (9p) and starts what is asked for in there.
set -euo pipefail
export LC_ALL=C.UTF-8
recipe=1
package=$(apt-cache depends linux-image-amd64 | sed -n 's/.*Depends: *\(linux-image-[0-9].*\)/\1/p' | sed -n 1p)
[ -n "$package" ] || {
	echo "qemu-kernel: no package linux-image-amd64 is known here" >&2
	exit 1
}
version=${package#linux-image-}
revision=$(apt-cache policy "$package" | sed -n 's/.*Candidate: *//p')
cache=${XDG_CACHE_HOME:-$HOME/.cache}/lull
folder=$cache/linux-qemu-$revision-$recipe
if [ -d "$folder" ]; then
	echo "$folder"
	exit 0
fi
mkdir -p "$cache"
exec 9>"$cache/linux-qemu.lock"
flock 9
[ ! -d "$folder" ] || {
	echo "$folder"
	exit 0
}
work=$(mktemp -d "$cache/fetch-qemu.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"

# Uncompressed it boots in half the time: the first xz stream of the image that unpacks to an ELF file.
unpack_kernel() {
	local at
	for at in $(grep -abo $'\xfd7zXZ' "$1" | cut -d: -f1); do
		tail -c +$((at + 1)) "$1" | xz -dc 2>/dev/null >vmlinux || :
		[ "$(head -c 4 vmlinux)" = $'\x7fELF' ] && return 0
	done
	return 1
}

make_initrd() {
	local modules=$work/kernel/lib/modules/$version module file
	mkdir -p initrd/bin initrd/modules
	cp /bin/busybox initrd/bin/
	: >initrd/order
	# In the order in which they need each other.
	for module in virtio_pci 9pnet_virtio 9p; do
		modprobe -d "$work/kernel" -S "$version" --show-depends "$module"
	done | sed -n 's/^insmod \([^ ]*\).*/\1/p' | while read -r file; do
		[ -e "initrd/modules/$(basename "$file")" ] && continue
		cp "$file" initrd/modules/
		basename "$file" >>initrd/order
	done
	[ -d "$modules" ]
	cat >initrd/init <<-'INIT'
		#!/bin/busybox sh
		for m in $(/bin/busybox cat /order); do /bin/busybox insmod /modules/$m; done
		/bin/busybox mkdir /host
		/bin/busybox mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=262144 host /host
		exec /bin/busybox switch_root /host $start
	INIT
	chmod +x initrd/init
	(cd initrd && find . | cpio --quiet -o -H newc | gzip -1) >initrd.gz
}

{
	apt-get download "$package" && dpkg -x ./*.deb kernel && depmod -b kernel "$version" &&
		unpack_kernel "kernel/boot/vmlinuz-$version" && make_initrd
} >log 2>&1 || {
	tail -n 20 log >&2
	echo "qemu-kernel: $package could not be made ready" >&2
	exit 1
}
mkdir ready
mv vmlinux initrd.gz ready/
mv kernel/lib ready/lib
echo "$version" >ready/version
chmod 755 ready
mv ready "$folder"
echo "$folder"
