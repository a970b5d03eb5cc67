#!/usr/bin/env bash
# fuzz: builds every tests/fuzz/fuzz_NAME.c with libFuzzer, ASan and UBSan and runs each for FUZZ_SECONDS (60), two
# at a time. Seeds come from tests/fuzz/corpus/NAME and stay as they are; what is found goes to build/fuzz/.
# usage: scripts/fuzz.sh [NAME...]
set -uo pipefail
cd "$(dirname "$0")/.." || exit 2
export LC_ALL=C.UTF-8
seconds=${FUZZ_SECONDS:-60}
unset MAKEFLAGS MFLAGS MAKELEVEL MAKEOVERRIDES
out=build/fuzz
mkdir -p "$out"

targets=()
for source in tests/fuzz/fuzz_*.c; do
	[ -f "$source" ] || continue
	name=$(basename "$source" .c)
	targets+=("${name#fuzz_}")
done
[ $# -eq 0 ] || targets=("$@")
[ ${#targets[@]} -gt 0 ] || {
	echo "ok - fuzz # SKIP there is no tests/fuzz/fuzz_*.c yet"
	exit 0
}

if ! make -j"$(nproc)" B="$out" CC=clang OPT='-O1 -g' FUZZ_LINK=-fsanitize=fuzzer \
	SAN='-fsanitize=fuzzer-no-link,address,undefined -fno-sanitize-recover=all' \
	"${targets[@]/#/$out/fuzz/fuzz_}" >"$out/make.log" 2>&1; then
	cat "$out/make.log"
	echo "not ok - build fuzz targets"
	exit 1
fi
echo "ok - build fuzz targets"

one() {
	local name=$1 seeds=tests/fuzz/corpus/$1 found=$out/found/$1 log=$out/$1.log max=4096 size rc=0
	mkdir -p "$found/corpus" "$out/crash-$name"
	local -a corpora=("$found/corpus")
	if [ -d "$seeds" ]; then
		corpora+=("$seeds")
		# No seed may be cut short, and there is room to grow.
		size=$(find "$seeds" -type f -printf '%s\n' | sort -n | tail -n 1)
		[ "${size:-0}" -gt "$max" ] && max=$size
	fi
	"$out/fuzz/fuzz_$name" -max_total_time="$seconds" -max_len="$max" -rss_limit_mb=1024 -timeout=20 \
		-print_final_stats=1 -artifact_prefix="$out/crash-$name/" "${corpora[@]}" >"$log" 2>&1 || rc=$?
	local runs cover
	runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
	cover=$(grep -oE 'cov: [0-9]+' "$log" | tail -n 1)
	if [ $rc = 0 ]; then
		echo "ok - fuzz $name: ${runs:-?} inputs in $seconds s, ${cover:-cov: ?}"
	else
		echo "not ok - fuzz $name: exit $rc, input kept in $out/crash-$name/"
		grep -vE '^#[0-9]+[[:space:]]+(NEW|REDUCE|pulse|INITED|RELOAD)' "$log" | sed -n 1,60p
	fi
	return $rc
}
export -f one
export seconds out
printf '%s\n' "${targets[@]}" | xargs -P 2 -I NAME bash -c 'one NAME'
