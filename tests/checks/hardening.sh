#!/usr/bin/env bash
# Proves that check-hardening can fail: small programs, each without one part of the hardening; and that what the Makefile asks
# for has all of them, for this compiler.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
CC=${CC:-gcc}
status=0
cat >"$work/program.c" <<'C'
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
int main(int argc, char **argv)
{
	char copy[64];
	memcpy(copy, argv[0], strtoul(argv[argc - 1], NULL, 10));
	return printf("%s\n", copy) < 0;
}
C
read -ra compile < <(scripts/build-flags.sh compile "$CC")
read -ra link < <(scripts/build-flags.sh link "$CC")

# NAME, expected result (passes or fails), the word the message must hold, options that come after those of the Makefile...
try() {
	local name=$1 want=$2 word=$3 got=passes
	shift 3
	"$CC" -O2 -g -w "${compile[@]}" "${link[@]}" "$@" "$work/program.c" -o "$work/$name"
	scripts/check-hardening.sh "$work/$name" >"$work/out" 2>&1 || got=fails
	if [ "$got" = "$want" ] && grep -qF -- "$word" "$work/out"; then
		echo "ok - hardening: $name $want"
	else
		echo "not ok - hardening: $name $got, expected $want with \"$word\""
		sed 's/^/    /' "$work/out"
		status=1
	fi
}

try whole passes 'ok - hardening'
try fixed-address fails 'position independent' -fno-pie -no-pie
try no-relro fails 'read-only relocations' -Wl,-z,norelro
try lazy fails 'not bound at its start' -Wl,-z,lazy
try executable-stack fails 'executable stack' -Wl,-z,execstack
try no-protector fails 'stack protector' -fno-stack-protector
try no-fortify fails 'fortified' -U_FORTIFY_SOURCE
case $CC in
*gcc*)
	try no-clash-protection fails 'fstack-clash-protection' -fno-stack-clash-protection
	# One object of many: its neighbour has all.
	"$CC" -O2 -g -w -c "${compile[@]}" -fno-stack-clash-protection -Dmain=other "$work/program.c" -o "$work/other.o"
	try one-object-without fails 'has 1 objects' "$work/other.o"
	;;
esac
echo 'no program' >"$work/text"
if scripts/check-hardening.sh "$work/text" >"$work/out" 2>&1 || ! grep -qF 'no program that readelf' "$work/out"; then
	echo "not ok - hardening: a text is taken for a program"
	status=1
else
	echo "ok - hardening: a text is no program"
fi
# Where dpkg-buildflags is not installed the options are the same.
mkdir "$work/bin"
printf '#!/bin/sh\nexit 127\n' >"$work/bin/dpkg-buildflags"
chmod +x "$work/bin/dpkg-buildflags"
for part in compile link; do
	with=$(scripts/build-flags.sh $part "$CC" | tr ' ' '\n' | grep -v '^-Wdate-time$' | sort)
	without=$(PATH=$work/bin:$PATH scripts/build-flags.sh $part "$CC" | tr ' ' '\n' | sort)
	if [ "$with" = "$without" ]; then
		echo "ok - hardening: the same $part options without dpkg-buildflags"
	else
		echo "not ok - hardening: $part options without dpkg-buildflags: ${without//$'\n'/ }, with it: ${with//$'\n'/ }"
		status=1
	fi
done
exit $status
