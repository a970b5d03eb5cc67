#!/usr/bin/env bash
# damage: captures that break off, are empty or are no captures; what is left out is said, and the exit status says so.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

night night.log
gzip -k night.log
head -c $(($(stat -c %s night.log.gz) / 2)) night.log.gz >cut.log.gz
run 1 "a compressed log that breaks off" import --can cut.log.gz -o n.lull
has out "something is left out" "left out"
"$lull" report --format json n.lull >n.json
is "the report says what" "$(jq '.left_out | length' n.json)" 1
is "the damage is coverage" "$(jq -c '[.coverage.blind[].why]' n.json)" '["file damaged"]'
is "what came before is used" "$(jq '.buses[0].frames > 100' n.json)" true
"$lull" report n.lull >out
has out "the text says it too" "LEFT OUT"
has out "with the file's name" "cut.log.gz"

{
	head -n 50 night.log
	echo "this is no frame"
	tail -n +51 night.log
} >odd.log
run 1 "a line that is no frame" import --can odd.log -f -o n.lull
is "is counted" "$("$lull" report --format json n.lull | jq '.left_out | length')" 1
is "all frames are used" "$("$lull" report --format json n.lull | jq '.buses[0].frames')" "$(wc -l <night.log)"

: >empty.log
run 2 "an empty capture alone" import --can empty.log -o e.lull
has err "nothing was heard" "nothing was heard"
is "nothing is written" "$(ls e.lull* 2>/dev/null)" ""
printf 'bus,from,to,why\nbody,2026-03-05T22:00:00Z,2026-03-06T06:00:00Z,observed\n' >coverage.csv
run 0 "an empty capture with coverage" import --can body=empty.log --coverage coverage.csv -o e.lull
"$lull" report --format json e.lull >e.json
is "observed for eight hours" "$(jq -c '[.duration_s, .coverage.observed_s]' e.json)" '[28800,28800]'
is "its bus is there" "$(jq -c '[.buses[].name]' e.json)" '["body"]'
is "dated" "$(jq -r '.start_utc' e.json)" 2026-03-05T22:00:00.000Z

printf 'time,mark\n30,key off\nsoon,door\n' >marks.csv
run 2 "a broken mark" import --can night.log --marks marks.csv -o x.lull
has err "with file and line" "marks.csv:3:"
is "nothing is written" "$(ls x.lull* 2>/dev/null)" ""
printf '[limits]\nslep = 5\n' >car.ini
run 2 "a broken profile" import --can night.log --profile car.ini -o x.lull
has err "with file and line" "car.ini:2"
head -c 3000 /dev/urandom >noise.pcap
run 2 "noise" import --can noise.pcap -o x.lull
run 2 "an unwritable place" import --can night.log -o absent/x.lull
has err "is named" "absent"

# A log whose stamps have no dates takes no dates.
sed -E 's/^\(17727/(00000/' night.log >undated.log
run 2 "dates for a log without" import --can undated.log --key-off 2026-03-05T22:41:37Z -o x.lull
has err "asks for seconds" "seconds from the first frame"
run 0 "seconds for a log without dates" import --can undated.log --key-off 30 -o u.lull
is "no date is made up" "$("$lull" report --format json u.lull | jq '.start_utc')" null

# Dates that belong to no night of this car: said, with the place.
printf 'time,mark\n30,key off\n2126-03-05T22:00:00Z,door\n' >far.csv
run 1 "a mark a century later" import --can night.log --marks far.csv -f -o n.lull
"$lull" report --format json n.lull >n.json
has n.json "is left out" "the mark 'door' lies more than ten years after the recording begins"
printf 'bus,from,to,why\n,2026-03-05T22:00:00Z,2126-03-06T06:00:00Z,observed\n' >far.csv
run 2 "coverage to a century later" import --can night.log --coverage far.csv -o x.lull
has err "with its file" "far.csv: a time lies more than ten years after"

# A bit rate for a bus that is not there.
run 2 "a bit rate for no bus" import --can night.log -b can1=500k -o x.lull
has err "the bus is named" "'can1'"
has err "the buses there are" "their buses: can0"
is "nothing is written for it" "$(ls x.lull* 2>/dev/null)" ""
run 2 "a bit rate for no bus, of two given" import --can body=night.log --can motor=night.log -b body=500k -b moter=500k -o x.lull
has err "the wrong one is named" "'moter'"
has err "both buses are listed" "their buses: body, motor"
run 2 "a bit rate without a capture" import --clamp night.log -b can0=500k -o x.lull
has err "asks for a capture" "--can FILE"

# What a killed import left behind goes with the next one; a living one's, and a neighbour's, stay.
mkfifo slow.log
"$lull" import --can slow.log -o k.lull >/dev/null 2>&1 &
slow=$!
exec 7>slow.log
for _ in 1 2 3 4; do cat night.log; done >&7 # more than is read ahead
for _ in {1..600}; do # a minute
	if ls k.lull.part* >/dev/null 2>&1 || ! kill -0 $slow 2>/dev/null; then break; fi
	sleep 0.1
done
: >k.lull.part-by-hand
run 0 "an import beside one that runs" import --can night.log -o k.lull
ls k.lull.part$slow-0 >/dev/null 2>&1 && ok "it leaves the other's file" || not_ok "it took away the other's file"
kill -9 $slow
wait $slow 2>/dev/null
exec 7>&-
ls k.lull.part$slow-0 >/dev/null 2>&1 && ok "a killed import leaves one" || not_ok "a killed import leaves nothing"
run 0 "another name" import --can night.log -o j.lull
ls k.lull.part$slow-0 >/dev/null 2>&1 && ok "leaves it" || not_ok "another name took it away"
run 0 "the same name" import --can night.log -f -o k.lull
is "takes it away, and no more" "$(echo k.lull*)" "k.lull k.lull.part-by-hand"

# begin_slow FILE: an import of slow.log that has begun its FILE and waits for more; $slow is its process.
begin_slow() {
	"${as[@]}" "$lull" import --can slow.log -o "$1" >/dev/null 2>slow.err &
	slow=$!
	exec 7>slow.log
	for _ in 1 2 3 4; do cat night.log; done >&7
	for _ in {1..600}; do
		if ls "$1".part* >/dev/null 2>&1 || ! kill -0 $slow 2>/dev/null; then break; fi
		sleep 0.1
	done
}
# end_slow: gives it more to read, and its end. What it ended with is in $ended.
end_slow() {
	for _ in 1 2 3 4; do cat night.log; done >&7 2>/dev/null
	exec 7>&-
	wait $slow
	ended=$?
}
trap '' PIPE # of end_slow, whose reader may be gone
as=(env --default-signal=PIPE)
for signal in HUP INT TERM PIPE; do
	begin_slow i.lull
	[ -e i.lull.part$slow-0 ] && ok "$signal finds an unfinished file" || not_ok "$signal finds no unfinished file"
	kill -s $signal $slow
	end_slow
	is "$signal ends the import" $ended 2
	is "$signal leaves no file behind" "$(ls i.lull* 2>/dev/null)" ""
	has slow.err "$signal is an interruption" "nothing was written"
done
as=(env --ignore-signal=HUP)
begin_slow i.lull
kill -s HUP $slow
end_slow
is "a hang-up that is ignored, as nohup does, ends nothing" $ended 0
exit $bad
