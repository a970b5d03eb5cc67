#!/usr/bin/env bash
# What export writes, read by others: Python's csv and json, and tshark for frames.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

night n.log
awk 'BEGIN { print "s,mA"; for (i = 0; i <= 600; i++) print i "," (i <= 95 ? 3000 : i == 300 ? 421.5 : 21.5) }' >clamp.csv
run 0 "a night" import --can n.log -k 30 --clamp clamp.csv --zero-before 1.5mA --zero-after 1.5mA -o n.lull

for what in spells stretches current frames; do
	run 0 "$what as CSV" export --$what --format csv -o $what.csv n.lull
	run 0 "$what as JSON" export --$what --format jsonl -o $what.jsonl n.lull
	python3 - $what <<'END' && ok "$what: both forms say the same" || not_ok "$what: the forms differ"
import csv, json, sys
rows = list(csv.DictReader(open(sys.argv[1] + ".csv", newline="")))
lines = [json.loads(l) for l in open(sys.argv[1] + ".jsonl")]
assert len(rows) == len(lines) > 0
def same(text, value):
    if value is None: return text == ""
    if isinstance(value, bool): return text == ("yes" if value else "no")
    if isinstance(value, (int, float)): return float(text) == value
    return text == value
for row, line in zip(rows, lines):
    assert list(row) == list(line)
    assert all(same(row[k], line[k]) for k in row), (row, line)
END
done
is "spells as the report has them" "$("$lull" report --format json n.lull | jq '[.buses[].spells[]] | length')" "$(jq -s length spells.jsonl)"
is "and the same instants" "$("$lull" report --format json n.lull | jq -c '[.buses[].spells[].from_s]')" "$(jq -c -s '[.[].from_s]' spells.jsonl)"
is "who woke it" "$(jq -r 'select(.kind == "wake").first_id' spells.jsonl)" "0x300"
is "zero taken off" "$(jq -s '[.[].current_mA] | max' current.jsonl)" "2998.5"
is "as it was read" "$(jq -s '[.[].read_mA] | max' current.jsonl)" "3000"
is "frames of the night" "$(jq -s '[.[].copies] | add' frames.jsonl)" "$(jq -s length frames.jsonl)"

run 0 "frames as pcapng" export --frames -o n.pcapng n.lull
if command -v tshark >/dev/null; then
	tshark -n -r n.pcapng -T fields -e frame.time_epoch -e can.id -e can.len -e data.data -e frame.interface_name >seen 2>/dev/null
	is "tshark sees every frame" "$(wc -l <seen)" "$(jq -s length frames.jsonl)"
	is "its interface" "$(cut -f 5 seen | sort -u)" "can0"
	is "instant, ID, length and payload of the first" "$(head -n 1 seen | cut -f 1-4)" "$(printf '1772750467.000000000\t256\t8\t0011223344556677')"
	is "IDs in their order" "$(cut -f 2 seen | md5sum)" "$(jq -r '.id' frames.jsonl | while read -r i; do echo $((i)); done | md5sum)"
else
	echo "ok - tshark # SKIP not installed"
fi
run 0 "what import makes of it" import --can n.pcapng -o again.lull

run 2 "nothing was asked for" export n.lull
run 2 "two things at once" export --spells --frames n.lull
has err "names both" "--spells or --frames"
run 2 "spells are no packets" export --spells --format pcapng n.lull
run 2 "coverage is for import" export --coverage --format jsonl n.lull
run 2 "a format nobody knows" export --spells --format xls n.lull
has err "names those known" "csv, jsonl or pcapng"
exit $bad
