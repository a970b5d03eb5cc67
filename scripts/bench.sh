#!/usr/bin/env bash
# bench: import speed on one long capture, beside other readers of the same file in the same run.
# Prints figures, one a line, and judges nothing. FRAMES (20000000), RUNS (3: the median is printed),
# TSHARK_FRAMES (1000000: tshark is timed on so long a beginning of the file).
set -euo pipefail
cd "$(dirname "$0")/.."
export LC_ALL=C
B=${B:-build}
frames=${FRAMES:-20000000}
runs=${RUNS:-3}
tshark_frames=${TSHARK_FRAMES:-1000000}
slice_frames=200000
data=build/bench-data
capture=$data/held-awake-$frames.pcap
bytes=$((24 + 32 * frames))
mkdir -p "$data"

say() { printf '%-52s %14s %s\n' "$1" "$2" "$3"; }
ratio() { awk -v a="$1" -v b="$2" 'BEGIN { printf "%.3f", a / b }'; }
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

# Wall seconds of the median run, user and system seconds of that run, and the peak memory in KiB of all runs.
measure() {
	local i
	for ((i = 0; i < runs; i++)); do
		command time -f '%e %U %S %M' -o "$data/time" -- "$@" >"$data/out" 2>"$data/err" || {
			cat "$data/err" >&2
			echo "bench: failed: $*" >&2
			return 1
		}
		tail -n 1 "$data/time"
	done | sort -n | awk '{ line[NR] = $1 " " $2 " " $3; if ($4 > peak) peak = $4 }
		END { print line[int((NR + 1) / 2)], peak }'
}
report() {
	local name=$1 count=$2 wall=$3 user=$4 system=$5 peak=$6
	say "$name" "$(awk -v n="$count" -v s="$wall" 'BEGIN { printf "%.0f", n / s }')" "frames/s"
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

l=$(ratio "$frames" "$l_wall")
say "lull import / tcpdump" "$(ratio "$l" "$(ratio "$frames" "$t_wall")")" times
say "lull import / libpcap empty loop" "$(ratio "$l" "$(ratio "$frames" "$p_wall")")" times
say "lull import / tshark" "$(ratio "$l" "$(ratio "$tshark_frames" "$s_wall")")" times

# Instructions by function: what a change costs can be read here on a busy machine, too. Start-up and the writing
# of the recording are in it, spread over the slice.
[ "$slice_frames" -le "$frames" ] || slice_frames=$frames
beginning "$slice_frames" "$data/slice.pcap"
valgrind --tool=callgrind --callgrind-out-file="$data/callgrind.out" "$B/lull" import --can "$data/slice.pcap" \
	-o "$data/slice.lull" --force >"$data/out" 2>"$data/err" || {
	cat "$data/err" >&2
	echo "bench: callgrind failed" >&2
	exit 1
}
say "callgrind: first frames of the file" "$slice_frames" frames
callgrind_annotate --threshold=99 "$data/callgrind.out" | awk -v n="$slice_frames" '
	function per(s) { gsub(/,/, "", s); return s / n }
	function line(a, b) { printf "%-52s %14.1f %s\n", substr(a, 1, 52), b, "instructions/frame" }
	/PROGRAM TOTALS/ { line("all functions together", per($1)) }
	/^ *[0-9,]+ \([ 0-9.]+%\) .*:/ && shown < 24 {
		name = $0; sub(/^ *[0-9,]+ \([ 0-9.]+%\) +/, "", name); sub(/ \[.*/, "", name); sub(/^[^:]*\//, "", name)
		value = $1; if (per(value) >= 0.1) { line("  " name, per(value)); shown++ }
	}'
rm -f "$data/slice.pcap" "$data/slice.lull" "$data/time" "$data/out" "$data/err"
