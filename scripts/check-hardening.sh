#!/usr/bin/env bash
# check-hardening: fails if a program lacks a part of the hardening that the Makefile asks for.
# usage: scripts/check-hardening.sh PROGRAM...
# What leaves a trace in the file is looked for there. Protection against a stack that grows past its guard page leaves none: gcc
# writes its options into the debugging information of each object, and there they are read.
set -euo pipefail
export LC_ALL=C
[ $# -gt 0 ] || {
	echo "not ok - hardening: no program is named"
	exit 1
}
bad=0
lacks() {
	echo "not ok - hardening: $1 $2"
	bad=1
}

for program in "$@"; do
	faults=$bad
	if ! head=$(readelf -W -h -l -d "$program" 2>/dev/null) || ! symbols=$(readelf -W --dyn-syms "$program" 2>/dev/null); then
		lacks "$program" "is no program that readelf can read"
		continue
	fi
	grep -qE '^ *Type: +DYN' <<<"$head" && grep -qE 'INTERP' <<<"$head" || lacks "$program" "is no position independent executable"
	grep -q 'GNU_RELRO' <<<"$head" || lacks "$program" "has no read-only relocations"
	grep -qE '\(FLAGS\).*BIND_NOW|\(FLAGS_1\).* NOW' <<<"$head" || lacks "$program" "is not bound at its start, so that its relocations stay writable"
	grep -qE 'GNU_STACK .* RW ' <<<"$head" || lacks "$program" "has an executable stack"
	! grep -q '(TEXTREL)' <<<"$head" || lacks "$program" "has relocations in its code"
	grep -qE ' UND __stack_chk_(fail|guard)' <<<"$symbols" || lacks "$program" "has no stack protector"
	grep -qE ' UND __[a-z0-9_]+_chk(@| |$)' <<<"$symbols" || lacks "$program" "has no fortified calls"

	units=$(readelf -W --debug-dump=info --dwarf-depth=1 "$program" 2>/dev/null |
		sed -n 's/.*DW_AT_producer .*: *\(GNU C[0-9]\)/\1/p')
	for option in -fstack-protector-strong -fstack-clash-protection; do
		without=$(grep . <<<"$units" | grep -cvF -- "$option" || :)
		[ "$without" = 0 ] || lacks "$program" "has $without objects that were compiled without $option"
	done
	[ "$faults" != "$bad" ] || echo "ok - hardening: $program, $(grep -c . <<<"$units" || :) objects by gcc"
done
exit $bad
