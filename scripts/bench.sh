#!/usr/bin/env bash
# bench: import speed on one long capture, beside other readers of the same file in the same run.
# Prints figures, one a line, and judges nothing. FRAMES (20000000), RUNS (3: the median is printed),
# TSHARK_FRAMES (1000000: tshark is timed on so long a beginning of the file), SAMPLES (10000000, of the clamp's log),
# SLICE_FRAMES (200000: callgrind counts twice as many), PAGE_S (20: so long the live view is watched).
set -euo pipefail
cd "$(dirname "$0")/.."
export LC_ALL=C
B=${B:-build}
frames=${FRAMES:-20000000}
runs=${RUNS:-3}
tshark_frames=${TSHARK_FRAMES:-1000000}
slice_frames=${SLICE_FRAMES:-200000}
page_s=${PAGE_S:-20}
data=build/bench-data
capture=$data/held-awake-$frames.pcap
bytes=$((24 + 32 * frames))
mkdir -p "$data"

say() { printf '%-52s %14s %s\n' "$1" "$2" "$3"; }
# The first N frames as a file of its own: a pcap header of 24 bytes, 32 bytes a frame.
beginning() { head -c $((24 + 32 * $1)) "$capture" >"$2"; }

if [ "$(stat -c %s "$capture" 2>/dev/null || echo 0)" != $bytes ]; then
	free=$(df -Pk "$data" | awk 'NR == 2 { print $4 }')
	need=$((bytes / 1024 * 11 / 10 + 65536))
	[ "$free" -ge $need ] || {
		echo "bench: the capture needs $((need / 1024)) MiB in $data, $((free / 1024)) MiB are free" >&2
		echo "bench: FRAMES=2000000 make bench makes a smaller one" >&2
		exit 1
	}
	echo "making a capture of $frames frames in $data (removed by make clean)"
	"$B/bench/make_capture" "$frames" "$capture.part" >"$capture.hours"
	mv "$capture.part" "$capture"
fi

# Wall seconds of the median run, user and system seconds of that run, and the peak memory in KiB of all runs. The shell's clock has
# milliseconds, that of time(1) hundredths, which is too coarse for a reader at a million frames.
measure() {
	local i TIMEFORMAT='%3R %3U %3S'
	for ((i = 0; i < runs; i++)); do
		{ time command time -f %M -o "$data/peak" -- "$@" >"$data/out" 2>"$data/err"; } 2>"$data/time" || {
			cat "$data/err" >&2
			echo "bench: failed: $*" >&2
			return 1
		}
		echo "$(tail -n 1 "$data/time") $(tail -n 1 "$data/peak")"
	done | sort -n | awk '{ line[NR] = $1 " " $2 " " $3; if ($4 > peak) peak = $4 }
		END { print line[int((NR + 1) / 2)], peak }'
}
report() {
	local name=$1 count=$2 wall=$3 user=$4 system=$5 peak=$6
	say "$name" "$(awk -v n="$count" -v s="$wall" 'BEGIN { printf "%.0f", n / s }')" "frames/s"
	say "$name, by processor time" "$(awk -v n="$count" -v u="$user" -v s="$system" 'BEGIN { printf "%.0f", n / (u + s) }')" "frames/s"
	say "$name, wall time" "$wall" "s"
	say "$name, processor time" "$(awk -v u="$user" -v s="$system" 'BEGIN { print u + s }')" "s"
	say "$name, peak memory" "$(awk -v k="$peak" 'BEGIN { printf "%.1f", k / 1024 }')" "MiB"
}

say "capture, frames" "$frames" frames
say "capture, bus time" "$(cat "$capture.hours")" h
say "capture, size" $((bytes / 1000000)) MB
say "runs, of which the median is given" "$runs" runs
cat "$capture" >/dev/null
read -r wall _ < <(measure cat "$capture")
say "cat FILE >/dev/null from the page cache" "$wall" s

read -r l_wall l_user l_system l_peak < <(measure "$B/lull" import --can "$capture" -o "$data/night.lull" --force)
report "lull import" "$frames" "$l_wall" "$l_user" "$l_system" "$l_peak"
say "lull import, recording written" "$(stat -c %s "$data/night.lull")" bytes
read -r t_wall t_user t_system t_peak < <(measure tcpdump -r "$capture" -w /dev/null)
report "tcpdump -r FILE -w /dev/null" "$frames" "$t_wall" "$t_user" "$t_system" "$t_peak"
read -r p_wall p_user p_system p_peak < <(measure "$B/bench/pcap_loop" "$capture")
report "libpcap, empty loop" "$frames" "$p_wall" "$p_user" "$p_system" "$p_peak"

[ "$tshark_frames" -le "$frames" ] || tshark_frames=$frames
beginning "$tshark_frames" "$data/tshark.pcap"
runs=1
read -r s_wall s_user s_system s_peak < <(measure tshark -r "$data/tshark.pcap" -q -z io,stat,0)
say "tshark: first frames of the file, one run" "$tshark_frames" frames
report "tshark -r FILE -q -z io,stat,0" "$tshark_frames" "$s_wall" "$s_user" "$s_system" "$s_peak"
rm -f "$data/tshark.pcap"

# compare NAME FRAMES WALL USER SYSTEM: how many times as fast as that reader the import is.
compare() {
	say "lull import / $1, by wall time" "$(awk -v n="$frames" -v w="$l_wall" -v m="$2" -v v="$3" \
		'BEGIN { printf "%.2f", n / w / (m / v) }')" times
	say "lull import / $1, by processor time" "$(awk -v n="$frames" -v u="$l_user" -v s="$l_system" -v m="$2" -v v="$4" \
		-v t="$5" 'BEGIN { printf "%.2f", n / (u + s) / (m / (v + t)) }')" times
}
compare tcpdump "$frames" "$t_wall" "$t_user" "$t_system"
compare "libpcap, empty loop" "$frames" "$p_wall" "$p_user" "$p_system"
compare tshark "$tshark_frames" "$s_wall" "$s_user" "$s_system"

# The clamp's log beside a bus: reading it, and all that a report does with it (dead times, levels, lining up, costs).
samples=${SAMPLES:-10000000}
runs=${RUNS:-3}
"$B/bench/make_log" "$samples" "$data/clamp.csv" "$data/bus.log"
log() {
	say "$1" "$(awk -v n="$samples" -v s="$2" 'BEGIN { printf "%.0f", n / s }')" "samples/s"
	say "$1, by processor time" "$(awk -v n="$samples" -v u="$3" -v s="$4" 'BEGIN { printf "%.0f", n / (u + s) }')" "samples/s"
	say "$1, peak memory" "$(awk -v k="$5" 'BEGIN { printf "%.1f", k / 1024 }')" "MiB"
}
say "clamp log, samples" "$samples" samples
say "clamp log, size" $(($(stat -c %s "$data/clamp.csv") / 1000000)) MB
read -r wall user system peak < <(measure "$B/bench/csv_loop" "$data/clamp.csv")
log "plain scanner, fgets and strtod" "$wall" "$user" "$system" "$peak"
read -r wall user system peak < <(measure "$B/lull" import --clamp "$data/clamp.csv" --clamp-scale 100mV/A -o "$data/log.lull" --force)
log "lull import --clamp" "$wall" "$user" "$system" "$peak"
say "lull import --clamp, recording written" "$(stat -c %s "$data/log.lull")" bytes
"$B/lull" import --can "$data/bus.log" --clamp "$data/clamp.csv" --clamp-scale 100mV/A -o "$data/both.lull" --force \
	>"$data/out" 2>"$data/err"
# report ends with 1 for any finding
judged() { "$@" >/dev/null || [ $? = 1 ]; }
export -f judged
read -r wall user system peak < <(measure bash -c 'judged "$@"' judged "$B/lull" report "$data/both.lull")
log "lull report of bus and log" "$wall" "$user" "$system" "$peak"
# What it found: the log's clock is 1000 s ahead and 20 ppm slow (tests/bench/make_log.c).
"$B/lull" report --format json "$data/both.lull" >"$data/both.json" || [ $? = 1 ]
found() { say "$1" "$(jq -r "$2" "$data/both.json")" "$3"; }
found "lull report, clock offset (right: -1000.02)" '.current.clock_offset_s * 100 | round / 100' s
found "lull report, clock rate (right: 20)" '.current.clock_drift_ppm * 10 | round / 10' ppm
found "lull report, steps matched" '.current.alignment.matched' steps
found "lull report, levels" '.current.stages | length' levels
rm -f "$data/clamp.csv" "$data/log.lull" "$data/both.lull" "$data/both.json" "$data/bus.log"

# Instructions by function: what a change costs can be read here on a busy machine, too. The difference of two
# beginnings of the file leaves out start-up and what is done once.
counted() {
	beginning "$1" "$data/slice.pcap"
	valgrind --tool=callgrind --callgrind-out-file="$data/callgrind.$1" "$B/lull" import --can "$data/slice.pcap" \
		-o "$data/slice.lull" --force >"$data/out" 2>"$data/err" || {
		cat "$data/err" >&2
		echo "bench: callgrind failed" >&2
		return 1
	}
	# Each function, with its library where it has no symbol, and its instructions.
	callgrind_annotate --auto=no --tree=none --threshold=100 "$data/callgrind.$1" | awk '
		/PROGRAM TOTALS/ { gsub(/,/, "", $1); print $1 "\tall functions together" }
		/^ *[0-9,]+ \([ 0-9.]+%\) .*:/ {
			value = $1; gsub(/,/, "", value)
			name = $0; sub(/^ *[0-9,]+ \([ 0-9.]+%\) +/, "", name)
			library = name; if (!sub(/.*\[/, "", library)) library = ""
			sub(/\]$/, "", library); sub(/.*\//, "", library)
			sub(/ \[.*/, "", name); sub(/^[^:]*\//, "", name)
			if (name ~ /^\?\?\?:/) { sub(/^\?\?\?:/, "", name); name = library ": " (name ~ /^0x/ ? "unnamed" : name) }
			print value "\t  " name
		}'
}
if [ "$frames" -ge $((3 * slice_frames)) ]; then
	say "callgrind: frames counted, after as many first ones" $((2 * slice_frames)) frames
	counted $slice_frames >"$data/few"
	counted $((3 * slice_frames)) >"$data/many"
	awk -F'\t' -v n=$((2 * slice_frames)) '
		NR == FNR { before[$2] += $1; next }
		{ after[$2] += $1 }
		END { for (f in after) printf "%.1f\t%s\n", (after[f] - before[f]) / n, f }' "$data/few" "$data/many" |
		sort -rn | sed -n 1,25p | while IFS=$'\t' read -r value name; do
		say "${name:0:52}" "$value" "instructions/frame"
	done
fi
# 10 h, 300 IDs, 500 spells, 1.8 million samples: what a page to hand over costs.
read -r judged shown size ids spells < <("$B/bench/big_night")
say "judging a night of $ids IDs, $spells spells, 1.8 M samples" "$judged" "s of processor"
say "its HTML report (aim: under 2 s)" "$shown" "s of processor"
say "size of that (aim: under 3 MB)" "$(awk -v n="$size" 'BEGIN { printf "%.2f", n / 1e6 }')" MB
# The live view with three phones on it, for PAGE_S: processor time of its process. A recorder that is none answers.
page_cost() {
	local player view link i phones=()
	/usr/bin/python3 - "$data/control" "$data/none.lull" "$page_s" <<'END' &
import sys, time
sys.path.insert(0, "tests/browser")
from recorder import Recorder
Recorder(sys.argv[1], sys.argv[2]).start()
time.sleep(60 + float(sys.argv[3]))
END
	player=$!
	rm -f "$data/link"
	"$B/lull" view --socket "$data/control" --link-file "$data/link" >/dev/null 2>&1 &
	view=$!
	for i in 1 2 3; do
		for _ in $(seq 100); do [ -s "$data/link" ] && [ "$(cat "$data/link")" != "${link:-}" ] && break || sleep 0.1; done
		link=$(cat "$data/link")
		curl -s -o /dev/null -c "$data/jar$i" "$link"
		curl -s -N -b "$data/jar$i" "${link%%/\?*}/live" >"$data/news$i" &
		phones+=($!)
	done
	sleep "$page_s"
	awk '{ printf "%.4f\n", $1 / 1e9 }' "/proc/$view/schedstat"
	kill "${phones[@]}" $view $player
	wait "${phones[@]}" $view $player 2>/dev/null
	[ "$(grep -c '^data: {"format":"lull.status"' "$data/news3")" -ge $((page_s * 3 / 4)) ] || echo "bench: the phones heard nothing" >&2
	rm -f "$data"/jar? "$data"/news? "$data/link" "$data/control"
}
if command -v curl >/dev/null && /usr/bin/python3 -c '' 2>/dev/null; then
	say "the live view, three phones for $page_s s" "$(page_cost)" "s of processor"
fi
rm -f "$data"/{slice.pcap,slice.lull,time,peak,out,err,few,many}
