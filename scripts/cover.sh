#!/usr/bin/env bash
# cover: which share of each source file's lines the unit tests reach, lowest first. A file that no test links counts too: none of its.
# What runs in a process that ends by _exit() or a signal is not counted.
set -euo pipefail
cd "$(dirname "$0")/.."
unset MAKEFLAGS MFLAGS MAKELEVEL MAKEOVERRIDES
find build/cover -name '*.gcda' -delete 2>/dev/null || :
make -s -j"$(nproc)" B=build/cover CC=gcc OPT='-O0 -g' SAN=--coverage unit-build
for source in tests/unit/test_*.c; do
	t=build/cover/tests/$(basename "$source" .c)
	"$t" >/dev/null 2>&1 || echo "cover: $t fails; its lines count all the same" >&2
done
find build/cover/src -name '*.gcno' -print0 | while IFS= read -r -d '' data; do
	source=${data#build/cover/}
	[ -f "${source%.gcno}.c" ] || continue # of a file that is gone
	gcov -n -o "$(dirname "$data")" "$data" 2>/dev/null
done | awk -F"[':% ]" '
	/^File / { file = $3 }
	/^Lines executed/ && file ~ /^src\// { printf "%6.1f %% of %5d  %s\n", $3, $NF, file; hit += $3 * $NF / 100; all += $NF; file = "" }
	END { if (all) printf "%6.1f %% of %5d  together\n", 100 * hit / all, all }' | sort -n
