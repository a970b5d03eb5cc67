#!/usr/bin/env bash
# deb: a Debian package of what was built: build/lull_VERSION_ARCH.deb
# usage: B=build VERSION=0.1 scripts/deb.sh      (called by `make deb`; needs dpkg-dev)
# For a cross build (scripts/cross.sh) ARCH says for what, STRIP with which tool, SYSROOT where the libraries are, with what
# they say of their packages in DEBIAN, and MAN_FROM the build whose programs can be run here, since the manual pages are their help.
set -euo pipefail
cd "$(dirname "$0")/.."
build=${B:-build} version=${VERSION:?}
command -v dpkg-shlibdeps >/dev/null || {
	echo "make deb: needs dpkg-dev (apt install dpkg-dev)" >&2
	exit 1
}
arch=${ARCH:-$(dpkg --print-architecture)}
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
# PREFIX and DESTDIR of the call must not reach this one, and it must not build anything: it knows no other compiler.
env -u MAKEFLAGS -u MFLAGS -u MAKELEVEL make -s -o all B="$build" MAN_FROM="${MAN_FROM:-$build}" \
	PREFIX=/usr SYSCONFDIR=/etc DESTDIR="$root/pkg" install >/dev/null

mkdir -p "$root/src/debian" "$root/pkg/DEBIAN" "$root/pkg/usr/share/doc/lull"
cp LICENSE "$root/pkg/usr/share/doc/lull/copyright"
gzip -9n <README.md >"$root/pkg/usr/share/doc/lull/README.md.gz"
"${STRIP:-strip}" --strip-unneeded "$root/pkg/usr/bin/lull" "$root/pkg/usr/sbin/lulld"
printf 'Source: lull\n\nPackage: lull\nArchitecture: any\n' >"$root/src/debian/control"
depends=$(cd "$root/src" && DEB_HOST_ARCH=$arch dpkg-shlibdeps -O --ignore-missing-info ${SYSROOT:+-S"$SYSROOT"} \
	../pkg/usr/bin/lull ../pkg/usr/sbin/lulld 2>/dev/null | sed -n 's/^shlibs:Depends=//p')
[ -n "$depends" ] || {
	echo "make deb: dpkg-shlibdeps does not say which packages lull for $arch depends on" >&2
	exit 1
}
size=$(du -sk --exclude=DEBIAN "$root/pkg" | cut -f1)
cat >"$root/pkg/DEBIAN/control" <<C
Package: lull
Version: $version
Architecture: $arch
Maintainer: lull maintainers <lull@localhost>
Installed-Size: $size
Depends: $depends, systemd, libjs-dygraphs
Section: electronics
Priority: optional
Description: say what drains a parked car's battery
 Records a parked car's CAN buses overnight, listen-only, with the battery's
 current beside them, and says which node keeps the network awake or wakes it,
 and what it costs.
C
echo /etc/lull/lull.conf >"$root/pkg/DEBIAN/conffiles"
cat >"$root/pkg/DEBIAN/postinst" <<'C'
#!/bin/sh
set -e
if [ "$1" = configure ]; then
	systemd-sysusers /usr/lib/sysusers.d/lull.conf || :
	if [ -d /run/systemd/system ]; then
		systemctl daemon-reload || :
		systemctl try-restart lulld.service || :
	fi
fi
C
cat >"$root/pkg/DEBIAN/prerm" <<'C'
#!/bin/sh
set -e
if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
	systemctl disable --now lulld.service || :
fi
C
cat >"$root/pkg/DEBIAN/postrm" <<'C'
#!/bin/sh
set -e
if [ -d /run/systemd/system ]; then
	systemctl daemon-reload || :
fi
C
chmod 755 "$root/pkg/DEBIAN/postinst" "$root/pkg/DEBIAN/prerm" "$root/pkg/DEBIAN/postrm"
mkdir -p build
dpkg-deb --build --root-owner-group -Zxz "$root/pkg" "build/lull_${version}_$arch.deb"
