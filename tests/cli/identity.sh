#!/usr/bin/env bash
# Which recording an import makes: decided by what was measured, and by nothing else. Vehicle and model in every form.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

# pcap FILE FIRST: 9,000 frames, more than one buffer of any reader.
pcap() {
	python3 - "$1" "$2" <<'END'
import struct, sys
with open(sys.argv[1], "wb") as f:
    f.write(struct.pack("<IHHiIII", 0xa1b2c3d4, 2, 4, 0, 0, 65535, 227))
    for i in range(9000):
        frame = struct.pack(">IBBBB", 0x100 + i % 3, 8, 0, 0, 0) + struct.pack("<Q", i + int(sys.argv[2]))
        f.write(struct.pack("<IIII", 1772750407 + i // 100, i % 100 * 10000, 16, 16) + frame)
END
}

# uuid FILE: of the recording.
uuid() { "$lull" report --format json "$1" | jq -r .recording; }

# same NAME ARGUMENT...: an import so has the identity of the first one; other: it has not.
same() {
	local name=$1
	shift
	run 0 "$name" import "$@" -f -o again.lull
	is "$name: the same recording" "$(uuid again.lull)" "$first"
}
other() {
	local name=$1
	shift
	run 0 "$name" import "$@" -f -o again.lull
	if [ "$(uuid again.lull)" != "$first" ]; then ok "$name: another recording"; else not_ok "$name: the same recording"; fi
}

pcap a.pcap 0
pcap b.pcap 1
cp a.pcap copy.pcap
gzip -k a.pcap
zstd -qk a.pcap
awk 'BEGIN { print "s,mA"; for (i = 0; i <= 90; i++) print i "," (i <= 30 ? 3000 : 21.5) }' >clamp.csv
sed 's/21.5/21.6/' clamp.csv >clamp2.csv
printf 'time,mark\n5,key off\n' >marks.csv
printf '[car]\nvehicle = blue estate 7\nmodel = estate 2\n[limits]\ndraw_mA = 40\n' >car.ini

run 0 "an import" import --can body=a.pcap --can drive=b.pcap -o first.lull
first=$(uuid first.lull)
[[ $first =~ ^[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$ ]] && ok "a UUID of version 8" || not_ok "no UUID of version 8: $first"
same "once more" --can body=a.pcap --can drive=b.pcap
same "in another order" --can drive=b.pcap --can body=a.pcap
same "under another name" --can body=copy.pcap --can drive=b.pcap
same "packed with gzip" --can body=a.pcap.gz --can drive=b.pcap
same "packed with zstd" --can body=a.pcap.zst --can drive=b.pcap
same "with notes, profile and options" --can body=a.pcap --can drive=b.pcap --marks marks.csv --profile car.ini -b body=500k -k 20
other "buses changed over" --can drive=a.pcap --can body=b.pcap
other "one capture only" --can body=a.pcap
other "a clamp besides" --can body=a.pcap --can drive=b.pcap --clamp clamp.csv
first=$(uuid again.lull)
same "the clamp with another zero" --can body=a.pcap --can drive=b.pcap --clamp clamp.csv --zero-before 1mA
other "another clamp" --can body=a.pcap --can drive=b.pcap --clamp clamp2.csv
run 0 "a clamp alone" import --clamp clamp.csv -f -o again.lull
[ "$(uuid again.lull)" != null ] && ok "has an identity" || not_ok "has no identity"

# Vehicle and model.
run 0 "with a profile" import --can body=a.pcap --profile car.ini -f -o again.lull
is "in JSON" "$("$lull" report --format json again.lull | jq -c '[.vehicle.id, .vehicle.model, .recorder]')" '["blue estate 7","estate 2",null]'
"$lull" report again.lull >out
has out "in the text" "Vehicle blue estate 7 (estate 2)"
"$lull" report --format html again.lull >out
has out "on the page" "<dt>Vehicle ID</dt><dd>blue estate 7 (estate 2)</dd>"
"$lull" report first.lull >out
hasnt out "none where none was told" "Vehicle"
is "null where none was told" "$("$lull" report --format json first.lull | jq -c .vehicle)" '{"id":null,"model":null}'
run 0 "profile check" profile check car.ini
has out "the model" "estate 2"
printf '[car]\nvehicle = 11111111111111111\n' >vin.ini
run 2 "a VIN for a name" import --can body=a.pcap --profile vin.ini -f -o again.lull
has err "says where it belongs" "number plate and VIN belong in the order"

# What a later version leaves.
sqlite3 first.lull "PRAGMA user_version = 99; UPDATE text SET value = 'lull 3.1' WHERE key = 'created-by'; UPDATE text SET value = 'lull 3.0' WHERE key = 'readable-from'"
run 2 "a recording of a later version" report first.lull
has err "says which one reads it" "first.lull: written by lull 3.1; needs lull 3.0 or newer"
exit $bad
