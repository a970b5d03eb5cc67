#!/usr/bin/env bash
# deb: a Debian package of what was built: build/lull_VERSION_ARCH.deb
# usage: B=build VERSION=0.2 scripts/deb.sh      (called by `make deb`; needs debhelper and help2man)
# dpkg-buildpackage wants a folder debian/ at the top, so it works in a copy of the tree; the rules are in scripts/debian.
# For a cross build (scripts/cross.sh) ARCH says for what, SYSROOT where the libraries are, with what they say of their packages
# in DEBIAN, and MAN_FROM the build whose programs can be run here, since the manual pages are their help.
set -euo pipefail
cd "$(dirname "$0")/.."
build=$(realpath "${B:-build}") version=${VERSION:?}
man=$(realpath "${MAN_FROM:-$build}")
for tool in dpkg-buildpackage dh help2man; do
	command -v "$tool" >/dev/null || {
		echo "make deb: needs $tool (apt install dpkg-dev debhelper help2man)" >&2
		exit 1
	}
done
arch=${ARCH:-$(dpkg --print-architecture)}
shlibs=--ignore-missing-info
[ -z "${SYSROOT:-}" ] || shlibs+=" -S$(realpath "$SYSROOT")"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
tree=$work/lull-$version
mkdir "$tree"
tar -c --exclude-vcs --exclude=./build --exclude=./demo . | tar -x -C "$tree"
cp -a scripts/debian "$tree/debian"
# PREFIX and DESTDIR of the call must not reach this one. The libraries of another architecture are no installed packages: -d.
if ! (cd "$tree" && env -u MAKEFLAGS -u MFLAGS -u MAKELEVEL -u MAKEOVERRIDES -u PREFIX -u DESTDIR -u CFLAGS -u LDFLAGS -u CC -u B \
	LULL_BUILD="$build" LULL_MAN="$man" LULL_SHLIBS="$shlibs" DEB_BUILD_OPTIONS="nocheck noautodbgsym" \
	dpkg-buildpackage --host-arch "$arch" -b -d -nc -us -uc) >"$work/log" 2>&1; then
	cat "$work/log" >&2
	echo "make deb: the package for $arch could not be built" >&2
	exit 1
fi
mkdir -p build
mv "$work/lull_${version}_$arch.deb" build/
echo "build/lull_${version}_$arch.deb"
