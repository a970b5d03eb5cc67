#!/usr/bin/env bash
# pi: the tests of the architectures of small computers: programs of arm64 and armhf under qemu-user, the arm64 package in a Debian of its
# own, emulated too.
# usage: scripts/pi.sh [quick]
#   quick  arm64 alone: unit programs that do not take minutes, golden reports, and the package in the guest (tests/pi/package.test)
#   else   arm64 and armhf: all unit programs, golden reports, the command line; every test of tests/pi
# Needs a native build in build/gcc: the manual pages of the package come from it, and what arm64 reports is compared with it.
set -uo pipefail
cd "$(dirname "$0")/.." || exit 2
VERSION=$(sed -n 's/^VERSION := //p' Makefile)
export VERSION MAN_FROM=build/gcc GOALS=bus-build
[ -x build/gcc/lull ] || {
	echo "pi.sh: there is no build/gcc/lull: make B=build/gcc" >&2
	exit 2
}
package=build/lull_${VERSION}_arm64.deb
bad=0
rm -f "$package"
case ${1:-} in
quick)
	TEST_ARCHS=arm64 UNITS=quick scripts/cross.sh arm64 || bad=1
	tests=(package)
	;;
'')
	TEST_ARCHS="arm64 armhf" CLI=yes scripts/cross.sh arm64 armhf || bad=1
	tests=()
	;;
*)
	echo "usage: scripts/pi.sh [quick]" >&2
	exit 2
	;;
esac
# A package that cannot be had is no package that was tested.
[ -f "$package" ] || {
	echo "not ok - there is no $package to be tested"
	exit 1
}
if [ "$(id -u)" = 0 ]; then
	PACKAGE=$package tests/pi/run.sh "${tests[@]}" || bad=1
else
	echo "ok - the package in an emulated arm64 Debian # SKIP its system is made by root"
fi
exit $bad
