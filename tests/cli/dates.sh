#!/usr/bin/env bash
# dates: a night of 2040 and one of 2100 give the same report from pcap, pcapng and text, and that of 2026 but for its dates.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

command -v python3 >/dev/null || {
	ok "dates # SKIP python3 is not installed"
	exit 0
}
# The same frames, so many seconds later, as text, pcap or pcapng (draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng), to the microsecond.
cat >convert.py <<'END'
import re, struct, sys

form, shift, out = sys.argv[1], int(sys.argv[2]), sys.stdout.buffer
if form == "pcap":
    out.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262144, 227))
elif form == "pcapng":
    out.write(struct.pack("<IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28))
    out.write(struct.pack("<IIHHII", 1, 20, 227, 0, 262144, 20))
for line in sys.stdin:
    s, us, can_id, data = re.match(r"\((\d+)\.(\d{6})\) \S+ (\w+)#(\w*)", line).groups()
    s, us, payload = int(s) + shift, int(us), bytes.fromhex(data)
    packet = struct.pack(">IBxxx8s", int(can_id, 16), len(payload), payload)
    if form == "log":
        out.write(b"(%d.%06d) can0 %s#%s\n" % (s, us, can_id.encode(), data.encode()))
    elif form == "pcap":
        out.write(struct.pack("<IIII", s, us, 16, 16) + packet)
    else:
        stamp = s * 1000000 + us
        out.write(struct.pack("<IIIIIII", 6, 48, 0, stamp >> 32, stamp & 0xFFFFFFFF, 16, 16) + packet + struct.pack("<I", 48))
END
# What a report says apart from names of files and dates.
verdict() { "$lull" report --format json "$1" | sed 's/2[0-9][0-9][0-9]-[0-9][0-9]-[0-9]/DATE/g' | jq -S 'del(.recording, .file, .title)'; }

night 2026.log
"$lull" import --can can0=2026.log -o 2026.lull >out 2>err || not_ok "the night of 2026: $(cat err)"
verdict 2026.lull >2026.json
has 2026.json "the night says something" '"findings"'
for year in 2040 2100; do
	shift=$(($(date -u -d "$year-03-05T22:41:07Z" +%s) - 1772750467))
	for form in log pcap pcapng; do
		python3 convert.py $form $shift <2026.log >$year.$form
		run 0 "a $form of $year" import --can can0=$year.$form -o $year.$form.lull
		is "it is dated $year" "$("$lull" report --format json $year.$form.lull | jq -r .start_utc | cut -c 1-10)" $year-03-05
		verdict $year.$form.lull >$year.$form.json
		is "and says what that of 2026 says" "$(diff 2026.json $year.$form.json)" ""
	done
done
exit $bad
