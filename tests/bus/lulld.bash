#!/usr/bin/env bash
# lulld: the recorder in a guest, and what its recording says, against what was done. Read in by tests after lib.bash.
# shellcheck disable=SC2034,SC2154 # variables of lib.bash, and some that only the tests read
# Times of a test are seconds of CLOCK_BOOTTIME (`now`); `spans` gives those of the recording on the same clock.
work=/run/t/lulld
said=$work/said
log=$work/play.log
verdict=$work/verdict.json
folder=$work/nights
mkdir -p "$folder"

now() { cut -d' ' -f1 /proc/uptime; }
plus() { awk -v a="$1" -v b="$2" 'BEGIN { printf "%.2f", a + b }'; }

# lulld_config BATCH_SECONDS [LINE...]: buses follow as NAME=INTERFACE[@BITRATE], anything else is copied.
lulld_config() {
	local batch=$1 word
	shift
	{
		printf '[recorder]\nfolder = %s\nuser = root\nbatch = %s\n[control]\nsocket = %s\ngroup = root\n' \
			"$folder" "$batch" "$work/control"
		for word in "$@"; do
			if [[ $word =~ ^([a-z0-9]+)=([a-z0-9]+)(@([0-9]+))?$ ]]; then
				printf '[bus %s]\ninterface = %s\n' "${BASH_REMATCH[1]}" "${BASH_REMATCH[2]}"
				[ -z "${BASH_REMATCH[4]}" ] || printf 'bitrate = %s\n' "${BASH_REMATCH[4]}"
			else
				printf '%s\n' "$word"
			fi
		done
	} >"$work/lull.conf"
}

# Starts it and waits until it listens on so many buses (1).
lulld_start() {
	: >"$said"
	"$BUILD/lulld" -c "$work/lull.conf" --foreground 2>"$said" &
	daemon=$!
	until_true 20 listens "${1:-1}"
}
listens() { [ "$(grep -o 'bus [a-z0-9]*: listening on' "$said" | sort -u | wc -l)" -ge "$1" ]; }
lulld_stop() {
	kill -TERM "$daemon"
	wait "$daemon"
}

recording() { find "$folder" -name '*.lull' | sort | tail -n 1; }
judge() { "$BUILD/lull" report --format json "${1:-$(recording)}" >"$verdict" 2>"$work/judge.err"; }
field() { jq -r "$1" "$verdict"; }
# Recording zero on the clock of this test.
zero() { sqlite3 "$(recording)" 'SELECT (boottime_ns - from_ns) / 1e9 FROM session ORDER BY session LIMIT 1'; }
# spans BUS WHY: "FROM TO" of each such time, a line each.
spans() { jq -r --arg b "$1" --arg w "$2" --argjson z "$(zero)" \
	'.coverage.blind[] | select(.bus == $b and .why == $w) | "\(.from_s + $z) \(.to_s + $z)"' "$verdict"; }
# blind_as NAME BUS WHY FROM TO TOLERANCE: blind for that reason within those times, as one span or several.
blind_as() {
	local name=$1 got
	got=$(spans "$2" "$3" | awk -v f="$4" -v t="$5" '
		$2 >= f - 1 && $1 <= t + 1 { if (a == "" || $1 < a) a = $1; if ($2 > b) b = $2 } END { print a, b }')
	within "$name: from" "${got% *}" "$4" "$6"
	within "$name: to" "${got#* }" "$5" "$6"
}
# covered_only NAME BUS WHY...: no other reason but these
covered_only() {
	local name=$1 bus=$2
	shift 2
	is "$name" "$(jq -r --arg b "$bus" '[.coverage.blind[] | select(.bus == $b) | .why] | unique | join(",")' "$verdict")" \
		"$(printf '%s\n' "$@" | sort -u | paste -sd,)"
}
# Quiet that was not observed: a spell of the bus must not end, nor begin, within a blind time. Prints gaps that touch it.
gaps_within() { # BUS_INDEX FROM TO (clock of the test)
	sqlite3 "$(recording)" "SELECT count(*) FROM gap WHERE bus = $1 AND last_ns / 1e9 + $(zero) < $3 - 0.5
		AND coalesce(next_ns, 1 << 62) / 1e9 + $(zero) > $2 + 0.5"
}

# --- traffic ---

# traffic SECONDS IFACE [HZ]: three IDs, a line each, on one time line with `event` lines.
traffic() {
	awk -v s="$1" -v i="$2" -v hz="${3:-10}" 'BEGIN {
		for (k = 0; k < s * hz; k++) {
			t = k / hz
			printf "(%.4f) %s 100#%04X\n", t, i, k % 65536
			printf "(%.4f) %s 210#01020304\n", t + 0.2 / hz, i
			if (k % 5 == 0) printf "(%.4f) %s 18FF0102#AA\n", t + 0.5 / hz, i
		}
	}'
}
play() { "$tools/can_play" "$@" 2>>"$work/play.err"; }
keep() { cp "$(recording)" "$said" "$verdict" "$OUT/" 2>/dev/null; }
