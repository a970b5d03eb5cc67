#!/usr/bin/env bash
# golden: kept captures against the reports that were expected of them. LULL: the program.
# usage: tests/golden/run.sh [--update] [CASE...]
# A case is a folder: case.txt (what it is and where it comes from), capture.* and, where it has them, marks.csv,
# coverage.csv, profile.ini, clamp.csv, and import.options and report.options, more options one a line; in the place of a capture,
# recording.lull.zst is a recording that an earlier version made: it is judged as it is, which may not change it;
# expected.txt and expected.json are the reports, expected.status the exit codes of import and report. JSON is compared with its keys sorted and numbers to six digits, so that one more bit of a double
# on another processor is no difference.
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
lull=$(realpath "${LULL:-build/lull}")
export TZ=UTC LC_ALL=C.UTF-8 NO_COLOR=1
unset COLUMNS
update=no
if [ "${1:-}" = --update ]; then
	update=yes
	shift
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
bad=0

digits() {
	jq -S 'def six: if . == 0 then 0 else . as $x | (fabs | log10 | floor) as $e
			| ($x * pow(10; 5 - $e) | round) / pow(10; 5 - $e) end;
		walk(if type == "number" then six else . end)' "$1"
}

run_case() {
	local dir=tests/golden/$1 arguments=() asked=() import=0 report=0 json=0
	local capture
	capture=$(find "$dir" -name 'capture.*' | head -n 1)
	[ -s "$dir/case.txt" ] && { [ -n "$capture" ] || [ -s "$dir/recording.lull.zst" ]; } || {
		echo "not ok - golden $1: capture.*, recording.lull.zst or case.txt is missing"
		return 1
	}
	# Under the same short names everywhere: reports quote them.
	rm -rf "${work:?}/$1"
	cp -r "$dir" "$work/$1"
	cd "$work/$1" || return 1
	arguments=(--can "${capture##*/}")
	[ ! -f marks.csv ] || arguments+=(--marks marks.csv)
	[ ! -f coverage.csv ] || arguments+=(--coverage coverage.csv)
	[ ! -f profile.ini ] || arguments+=(--profile profile.ini)
	[ ! -f clamp.csv ] || arguments+=(--clamp clamp.csv)
	local -a more=()
	[ ! -f import.options ] || mapfile -t more <import.options
	arguments+=("${more[@]}")
	[ ! -f report.options ] || mapfile -t asked <report.options
	if [ -n "$capture" ]; then
		"$lull" import "${arguments[@]}" -o night.lull >import.out 2>&1 || import=$?
	else
		import=none
		zstd -dq recording.lull.zst -o night.lull
	fi
	local before
	before=$(sha256sum night.lull)
	"$lull" report "${asked[@]}" night.lull >got.txt 2>err.txt || report=$?
	"$lull" report --format json "${asked[@]}" night.lull >got.raw 2>>err.txt || json=$?
	local after beside
	after=$(sha256sum night.lull)
	beside=$(find . -name 'night.lull?*')
	cd - >/dev/null || return 1
	[ "$after" = "$before" ] && [ -z "$beside" ] || {
		echo "not ok - golden $1: the reports changed the recording"
		return 1
	}
	digits "$work/$1/got.raw" >"$work/$1/got.json" || cat "$work/$1/import.out" "$work/$1/err.txt"
	echo "import $import, report $report, report --format json $json" >"$work/$1/got.status"
	local form same=0
	for form in status txt json; do
		if [ $update = yes ]; then
			cp "$work/$1/got.$form" "$dir/expected.$form"
		elif diff -u "$dir/expected.$form" "$work/$1/got.$form"; then
			echo "ok - golden $1: $form as expected"
		else
			echo "not ok - golden $1: $form differs"
			same=1
		fi
	done
	return $same
}

if [ $# -eq 0 ]; then
	for dir in tests/golden/*/; do
		[ ! -s "$dir/case.txt" ] || set -- "$@" "$(basename "$dir")"
	done
fi
for name in "$@"; do run_case "$name" || bad=1; done
exit $bad
