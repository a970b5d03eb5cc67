#!/usr/bin/env bash
# uml-kernel: builds the user-mode Linux with virtual time that the night tests run in, and prints its path.
# usage: scripts/uml-kernel.sh [--path]
#   --path  print where it would lie, build nothing; fails if it is not there yet
# Built once from Debian's kernel source (some six minutes of processor time) and kept outside the tree, in
# ${XDG_CACHE_HOME:-$HOME/.cache}/lull, under the version of the source and a hash of the fragment and of this recipe.
set -euo pipefail
cd "$(dirname "$0")/.."
export LC_ALL=C.UTF-8
unset MAKEFLAGS MFLAGS MAKELEVEL MAKEOVERRIDES B CC OPT SAN CFLAGS LDFLAGS ARCH CROSS_COMPILE
fragment=$PWD/tests/bus/virtual-time.config
recipe=1

# Debian's source package of the kernel that is installed, whichever its version.
tarball=$(find /usr/src -maxdepth 1 -name 'linux-source-*.tar.xz' | sort -V | tail -n 1)
if [ -z "$tarball" ]; then
	echo "uml-kernel: /usr/src holds no linux-source-*.tar.xz (Debian package linux-source-6.1)" >&2
	exit 1
fi
package=$(basename "$tarball" .tar.xz)
version=$(dpkg-query -W -f '${Version}' "$package" 2>/dev/null || stat -c %s "$tarball")
hash=$({ cat "$fragment"; echo "recipe $recipe $(uname -m)"; } | sha256sum | cut -c 1-12)
cache=${XDG_CACHE_HOME:-$HOME/.cache}/lull
kernel=$cache/linux-uml-$version-$hash

if [ "${1:-}" = --path ]; then
	echo "$kernel"
	[ -x "$kernel" ]
	exit
fi
if [ -x "$kernel" ]; then
	echo "$kernel"
	exit 0
fi
mkdir -p "$cache"
# Two at once build one after the other, and the second finds it done.
exec 9>"$cache/linux-uml.lock"
flock 9
if [ ! -x "$kernel" ]; then
	work=$(mktemp -d "$cache/build-uml.XXXXXX")
	trap 'rm -rf "$work"' EXIT
	log=$work/log
	echo "uml-kernel: building the virtual-time kernel from $package $version, some six minutes of processor time" >&2
	if ! {
		mkdir "$work/src" "$work/out" &&
			tar -xf "$tarball" -C "$work/src" --strip-components=1 &&
			make -C "$work/src" ARCH=um O="$work/out" KCONFIG_ALLCONFIG="$fragment" allnoconfig &&
			make -C "$work/src" ARCH=um O="$work/out" -j"$(nproc)" linux &&
			strip -o "$work/linux" "$work/out/linux" && chmod 755 "$work/linux"
	} >"$log" 2>&1; then
		tail -n 40 "$log" >&2
		echo "uml-kernel: the build failed" >&2
		exit 1
	fi
	mv "$work/linux" "$kernel"
fi
echo "$kernel"
