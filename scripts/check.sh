#!/usr/bin/env bash
# check: runs the stages of `make check` (or those named), counts every test, and ends with one line of totals.
# usage: scripts/check.sh [STAGE...]
# A stage's cases are counted from its output: cmocka's summaries; lines "ok - NAME", "not ok - NAME",
# "ok - NAME # SKIP REASON" of scripts; a line "N passed, N failed" of a program that counts by itself, or the sum of scripts/cross.sh, whose
# failures have lines of their own. A stage that fails without such a line is one failed case.
set -uo pipefail
cd "$(dirname "$0")/.." || exit 2
export LC_ALL=C.UTF-8 NO_COLOR=1
# Stages choose their own build folders and compilers; what `make` was called with stays outside.
unset MAKEFLAGS MFLAGS MAKELEVEL MAKEOVERRIDES B CC OPT SAN
jobs=$(nproc)
logs=build/check
asan='-fsanitize=address,undefined -fno-sanitize-recover=all'
mkdir -p "$logs"

passed=0 failed=0 skipped=0 stages_failed=()

# Builds one flavour quietly; the whole output only if it fails. One at a time: stages that run side by side may ask for the same one.
build() {
	local name=$1
	shift
	local log=$logs/make-$name.log
	if flock "$logs/build.lock" make -s -j"$jobs" "$@" >"$log" 2>&1; then
		echo "ok - build $name"
	else
		cat "$log"
		echo "not ok - build $name"
		return 1
	fi
}

# run_program LOG NAME COMMAND...: what the command says goes to LOG, between the lines that `count` reads.
run_program() {
	local log=$1 name=$2 rc=0
	shift 2
	{
		echo "--- $name"
		"$@" 2>&1 || rc=$?
		echo "--- exit $rc"
	} >"$log"
	return $rc
}
export -f run_program

# side_by_side FOLDER LIMIT PROGRAM...: each program on its own, so that one that dies does not hide the rest, as many at a time as there
# are processors. Each one's output is kept apart in FOLDER and printed whole, in the order of the names.
side_by_side() {
	local folder=$logs/$1 limit=$2 bad=0 program
	shift 2
	rm -rf "$folder"
	mkdir -p "$folder"
	# shellcheck disable=SC2016 # the inner shell's
	[ $# = 0 ] || printf '%s\n' "$@" | xargs -P "$jobs" -I '{}' \
		bash -c 'run_program "$1/${3//\//_}" "$3" timeout "$2" "$3" || exit 1' bash "$folder" "$limit" '{}' || bad=1
	for program in "$@"; do
		cat "$folder/${program//\//_}" || {
			echo "not ok - $program was not run"
			bad=1
		}
	done
	return $bad
}

# Every unit test program of a build.
unit_run() {
	local source programs=()
	for source in tests/unit/test_*.c; do
		[ ! -f "$source" ] || programs+=("$1/tests/$(basename "$source" .c)")
	done
	side_by_side "units-${1//\//-}" 600 "${programs[@]}"
}

# Scripts, each given LULL.
scripts_run() {
	local script runnable=()
	for script in "$@"; do
		[ ! -x "$script" ] || runnable+=("$script")
	done
	LULL=$PWD/build/gcc/lull side_by_side "scripts-$(basename "$(dirname "$1")")" 900 "${runnable[@]}"
}

nights_run() {
	local bin=$1/nights
	shift
	[ -x "$bin" ] || {
		echo "ok - nights # SKIP there is no tests/nights yet"
		return 0
	}
	echo "--- $bin $*"
	local rc=0
	timeout 1500 "$bin" "$@" 2>&1 || rc=$?
	echo "--- exit $rc"
	return $rc
}

stage_build_gcc() { build gcc B=build/gcc CC=gcc WERROR=1 everything; }
stage_build_clang() { build clang B=build/clang CC=clang WERROR=1 everything; }
stage_unit_gcc() { build unit-gcc B=build/gcc CC=gcc WERROR=1 unit-build && unit_run build/gcc; }
stage_check_pure() {
	local bad=0
	make -s B=build/gcc CC=gcc WERROR=1 check-pure || bad=1
	CC=gcc tests/checks/check-pure.sh || bad=1
	CC=clang tests/checks/check-pure.sh || bad=1
	return $bad
}
stage_no_transmit() {
	local bad=0
	make -s B=build/gcc CC=gcc WERROR=1 check-no-transmit || bad=1
	CC=gcc tests/checks/no-transmit.sh || bad=1
	CC=clang tests/checks/no-transmit.sh || bad=1
	return $bad
}
stage_hardening() {
	local bad=0
	make -s B=build/gcc CC=gcc WERROR=1 check-hardening || bad=1
	CC=gcc tests/checks/hardening.sh || bad=1
	CC=clang tests/checks/hardening.sh || bad=1
	CC=gcc tests/checks/library-time.sh || bad=1
	return $bad
}
stage_golden() { B=build/gcc scripts_run tests/golden/run.sh tests/golden/readme.sh; }
stage_cli() { scripts_run tests/cli/*.sh; }
stage_browser() { scripts_run tests/browser/run.sh; }
stage_data() { scripts_run tests/data/*.sh; }
stage_unit_asan_gcc() {
	build asan-gcc B=build/asan-gcc CC=gcc OPT='-O1 -g' SAN="$asan" unit-build && unit_run build/asan-gcc
}
stage_unit_asan_clang() {
	build asan-clang B=build/asan-clang CC=clang OPT='-O1 -g' SAN="$asan" unit-build && unit_run build/asan-clang
}
stage_fuzz() { scripts/fuzz.sh; }
stage_nights() { nights_run build/gcc --seeds "${SEEDS:-10}"; }
stage_nights_clamp() { nights_run build/gcc --clamp --seeds "${SEEDS:-10}"; }
stage_nights_pairs() { nights_run build/gcc --pairs --seeds "${SEEDS:-10}"; }
# A seed or two of each are too few to reach a share: what counts here is that no sanitizer speaks and no night breaks.
nights_asan() {
	local name=$1 log=$logs/nights-asan-${1// /-}.log
	shift
	timeout 1500 build/asan-gcc/nights "$@" >"$log" 2>&1
	if grep -qE 'ERROR: |runtime error|nights broken' "$log" || ! grep -qE '^[0-9]+ passed' "$log"; then
		cat "$log"
		echo "not ok - nights $name under sanitizers"
		return 1
	fi
	echo "ok - nights $name under sanitizers"
}
stage_nights_asan() {
	[ -d tests/nights ] || return 0
	local bad=0
	build nights-asan B=build/asan-gcc CC=gcc OPT='-O1 -g' SAN="$asan" all nights-build || return 1
	nights_asan "without a clamp" --seeds 2 || bad=1
	nights_asan "with a clamp" --clamp --seeds 1 || bad=1
	return $bad
}
stage_bus() { build bus B=build/gcc CC=gcc WERROR=1 bus-build && B=build/gcc tests/bus/run.sh; }
stage_night_live() {
	build night-live B=build/gcc CC=gcc WERROR=1 bus-build && B=build/gcc tests/bus/run.sh --group night
}
stage_pi_quick() { build pi B=build/gcc CC=gcc WERROR=1 all && scripts/pi.sh quick; }
stage_pi() { build pi B=build/gcc CC=gcc WERROR=1 all && scripts/pi.sh; }
stage_bench() { B=build/gcc tests/checks/bench.sh; }
stage_lint() { scripts/lint.sh; }

all_stages=(build-gcc build-clang unit-gcc check-pure no-transmit hardening golden cli data browser unit-asan-gcc unit-asan-clang nights nights-clamp
	nights-pairs nights-asan bus night-live pi-quick bench lint fuzz)

# Sums of one stage: "passed failed skipped". Between "--- NAME" and "--- exit N" stands one program.
count() {
	awk -v rc="$2" '
	function number(s) { match(s, /[0-9]+/); return substr(s, RSTART, RLENGTH) + 0 }
	/^--- exit / { if ($3 != 0 && bad == 0) f++; bad = 0; next }
	/^--- / { bad = 0; next }
	/^\[  PASSED  \] [0-9]+ test/ { p += number($0); next }
	/^\[  FAILED  \] +[0-9]+ test/ { f += number($0); bad = 1; next }
	/^\[  SKIPPED \] [0-9]+ test/ { s += number($0); next }
	/^ok .*# SKIP/ { s++; next }
	/^ok( |$)/ { p++; next }
	/^not ok( |$)/ { f++; bad = 1; next }
	/^(unit tests|golden reports|command-line tests) of [a-z0-9]+ under qemu-user: [0-9]+ passed/ { sub(/^[^:]*: /, ""); p += $1; next }
	/^[0-9]+ passed, [0-9]+ failed/ { p += $1; f += $3; if ($3 > 0) bad = 1; next }
	END { if (rc != 0 && f == 0) f = 1; print p + 0, f + 0, s + 0 }' "$1"
}

seconds() { awk -v a="$1" -v b="$2" 'BEGIN { printf "%.1f", b - a }'; }

# Stages that each keep one processor busy and do not look at the clock of this machine run beside the one named first.
declare -A beside=([bus]=night-live)

run_stage() {
	local name=$1 start rc=0
	start=$EPOCHREALTIME
	"stage_${name//-/_}" >"$logs/$name.log" 2>&1 || rc=$?
	echo "$rc $(seconds "$start" "$EPOCHREALTIME")" >"$logs/$name.result"
}

report_stage() {
	local name=$1 log=$logs/$1.log rc=1 took='?' p f s
	read -r rc took <"$logs/$name.result"
	read -r p f s < <(count "$log" "$rc")
	passed=$((passed + p)) failed=$((failed + f)) skipped=$((skipped + s))
	printf '%-16s %5d passed %4d failed %4d skipped %8s s\n' "$name" "$p" "$f" "$s" "$took"
	grep -E '^ok .*# SKIP|^\[  SKIPPED \] [^0-9]' "$log" | sort -u | sed 's/^/    /'
	if [ "$f" != 0 ]; then
		stages_failed+=("$name")
		grep -nE '^not ok|\[  FAILED  \]|ERROR: |runtime error|(error|warning): |^--- exit [1-9]' "$log" |
			sed -n 1,40p | sed 's/^/    /'
		echo "    the last lines of $log:"
		tail -n 40 "$log" | sed 's/^/    | /'
	fi
}

[ $# -gt 0 ] || set -- "${all_stages[@]}"
for stage in "$@"; do
	declare -F "stage_${stage//-/_}" >/dev/null || {
		echo "check.sh: no such stage: $stage (${all_stages[*]})" >&2
		exit 2
	}
done
begun=$EPOCHREALTIME
done_already=' '
for stage in "$@"; do
	if [[ $done_already != *" $stage "* ]]; then
		companion=${beside[$stage]:-}
		[[ " $* " == *" ${companion:-none} "* && $done_already != *" $companion "* ]] || companion=
		rm -f "$logs/$stage.result"
		if [ -n "$companion" ]; then
			rm -f "$logs/$companion.result"
			run_stage "$companion" &
			done_already+="$companion "
		fi
		run_stage "$stage"
		wait
	fi
	report_stage "$stage"
done
printf '%-16s %46s s\n' total "$(seconds "$begun" "$EPOCHREALTIME")"
[ ${#stages_failed[@]} -eq 0 ] || echo "failed: ${stages_failed[*]} (logs in $logs)"
line="$passed passed, $failed failed"
[ $skipped = 0 ] || line+=", $skipped skipped"
echo "$line" | tee "$logs/totals"
[ $failed = 0 ]
