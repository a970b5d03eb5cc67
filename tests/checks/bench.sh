#!/usr/bin/env bash
# bench: that `make bench` comes to its end and that each of its figures is one, on a capture that takes seconds. How fast, it does not judge.
# usage: B=build tests/checks/bench.sh
set -uo pipefail
cd "$(dirname "$0")/../.." || exit 2
out=$(mktemp)
trap 'rm -f "$out"' EXIT
bad=0
not_ok() {
	echo "not ok - bench: $1"
	bad=1
}
rc=0
FRAMES=1000000 TSHARK_FRAMES=50000 SAMPLES=200000 RUNS=1 SLICE_FRAMES=50000 PAGE_S=3 scripts/bench.sh >"$out" || rc=$?
if [ $rc = 0 ]; then echo "ok - bench: ends with 0"; else not_ok "ends with $rc"; fi
# A line is a name, a figure, a unit.
odd=$(grep -v '^making a capture' "$out" | awk '
	match($0, / -?[0-9]+(\.[0-9]+)? [A-Za-z][A-Za-z\/ ]*$/) { if (substr($0, RSTART + 1) + 0 != 0) next }
	{ print }')
if [ -z "$odd" ]; then echo "ok - bench: $(grep -c . "$out") lines, each with a figure that is not 0"; else not_ok "no figure, or 0: $odd"; fi
for name in 'lull import' 'tcpdump' 'libpcap, empty loop' 'tshark' 'lull import --clamp' 'lull report of bus and log' 'all functions together' \
	'its HTML report'; do
	if grep -qF -- "$name" "$out"; then echo "ok - bench: there is $name"; else not_ok "there is no $name"; fi
done
exit $bad
