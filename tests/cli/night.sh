#!/usr/bin/env bash
# night: from a small log by hand to a recording and its reports.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

night night.log
printf 'time,mark\n30,Key Off\n1800,morning\n' >marks.csv
printf 'bus,from,to,why\n*,0,1800,observed\n' >coverage.csv

run 0 "import" import --can night.log --marks marks.csv --coverage coverage.csv -o n.lull
has out "counts the frames" " frames, 1 bus, "
is "one closed file" "$(ls n.lull*)" n.lull
run 2 "import onto an existing file" import --can night.log -o n.lull
has err "says how" "--force"
run 0 "import with --force" import --can night.log --marks marks.csv --coverage coverage.csv --force -o n.lull
is "frames as in the log" "$("$lull" report --format json n.lull | jq '.buses[0].frames')" "$(wc -l <night.log)"

run 1 "report" report n.lull
has out "the verdict stands there" "VERDICT"
has out "key-off by the mark" "told by a mark"
is "80 columns" "$(grep -E '.{81}' out)" ""
hasnt out "no colour in a pipe" $'\033'
run 1 "report as JSON" report --format json -o n.json n.lull
is "nothing on stdout with -o" "$(cat out)" ""
is "format" "$(jq -r '.format, .version' n.json | paste -sd' ')" "lull.report 1"
is "three IDs" "$(jq -c '[.ids[].id]' n.json)" '["0x100","0x200","0x300"]'
is "key-off at the mark" "$(jq -c '[.key_off.at_s, .key_off.by]' n.json)" '[30,"mark"]'
is "first and last frame of 0x100" "$(jq -c '.ids[0] | [.first_s, .last_s]' n.json)" '[0,30]'
is "recording as long as the coverage" "$(jq '.duration_s' n.json)" 1800
is "two spells" "$(jq '.buses[0].spells | length' n.json)" 2
is "no clamp" "$(jq -c '.current | [.samples, .quiet_mA, .steps]' n.json)" '[null,null,[]]'
is "a bus of unknown rate has no load" "$(jq -c '.buses[0] | [.bitrate, .load_percent]' n.json)" '[null,null]'
is "without current no all-clear" "$(jq '[.findings[].code] | index("within-limit")' n.json)" null
run 1 "report with the user's limit" report --limit-sleep 40 --limit-ma 30 --format json n.lull
is "limits from the user" "$(jq -c '.limits' out)" '{"draw_mA":30,"sleep_s":40,"source":"user"}'

run 0 "ids" ids n.lull
is "80 columns" "$(grep -E '.{81}' out)" ""
is "last heard first" "$(grep -oE '^   0x[0-9A-F]+' out | paste -sd' ' | tr -s ' ')" " 0x300 0x200 0x100"

run 0 "export" export --coverage n.lull
has out "coverage with its header" "bus,from,to,why"
has out "observed to the end" "can0,2026-03-05T22:41:07.000000000Z,2026-03-05T23:11:07.000000000Z,observed"
cp out again.csv
run 0 "import of what was exported" import --can night.log --marks marks.csv --coverage again.csv -o m.lull
is "it says the same" "$("$lull" export --coverage m.lull)" "$(cat again.csv)"
run 0 "bit rate as an option" import --can night.log -b can0=500k --force -o m.lull
is "the rate is kept" "$("$lull" report --format json m.lull | jq '.buses[0].bitrate')" 500000
is "a capture is observed to its last frame" "$("$lull" report --format json m.lull | jq '.duration_s')" 605

# Told on the command line, as seconds and as a date.
run 0 "key-off in seconds" import --can night.log --key-off 30 --force -o m.lull
is "key-off is kept as a mark" "$("$lull" report --format json m.lull | jq -c '[.key_off.at_s, .key_off.by]')" '[30,"mark"]'
run 0 "key-off as a date" import --can night.log --key-off 2026-03-05T22:41:37Z --force -o m.lull
is "the same instant" "$("$lull" report --format json m.lull | jq '.key_off.at_s')" 30
run 1 "key-off for the report" report --key-off 2026-03-05T22:41:39Z --format json m.lull
is "told key-off" "$(jq '.key_off.at_s' out)" 32
run 2 "key-off outside of the recording" report --key-off 90000 m.lull
run 2 "key-off that is no time" import --can night.log --key-off yesterday --force -o m.lull
has err "shows what is" "2026-03-05T22:41:07Z"

# Marks that say when somebody listened.
printf 'time,mark\n-60,listening\n30,key off\n900,stopped listening\n1200,morning\n' >told.csv
run 0 "listening" import --can night.log --marks told.csv --force -o m.lull
"$lull" report --format json m.lull >m.json
is "recording zero is where listening began" "$(jq '.ids[0].first_s' m.json)" 60
is "observed from listening to its end" "$(jq '.coverage.observed_s' m.json)" 960
is "blind after it" "$(jq -c '.coverage.blind | map([.from_s, .to_s])' m.json)" '[[960,1260]]'
printf 'time,mark\n-60,door\n30,key off\n' >told.csv
run 1 "a mark before the recording" import --can night.log --marks told.csv --force -o m.lull
has out "is left out and told" "left out"

# The same log in two pieces, in any order: the hole between them is not silence.
awk 'NR <= 400' night.log >one.log
awk 'NR > 500' night.log >two.log
run 0 "two pieces" import --can two.log --can one.log --force -o m.lull
"$lull" report --format json m.lull >m.json
is "one bus" "$(jq -c '[.buses[].name]' m.json)" '["can0"]'
is "all frames" "$(jq '.buses[0].frames' m.json)" "$(cat one.log two.log | wc -l)"
is "blind between them" "$(jq -c '[.coverage.blind[].why]' m.json)" '["capture ended"]'
# Two buses by name.
sed 's/ can0 / vcan7 /' night.log >other.log
run 0 "two captures" import --can night.log --can other.log --force -o m.lull
is "two buses" "$("$lull" report --format json m.lull | jq -c '[.buses[].name]')" '["can0","vcan7"]'

# A recorder that lost its adapter within the silence: that time is blind, the rest is quiet still.
printf 'bus,from,to,why\ncan0,0,605,observed\ncan0,200,300,adapter gone\nother,0,605,observed\n' >hole.csv
run 1 "told blind time, and a bus that is not there" import --can night.log --key-off 30 --coverage hole.csv --force -o m.lull
"$lull" report --format json m.lull >m.json
is "blind as told" "$(jq -c '.coverage.blind | map([.bus, .from_s, .to_s, .why])' m.json)" '[["can0",200,300,"adapter gone"]]'
is "observed without it" "$(jq '.coverage.observed_s' m.json)" 505
is "asleep before it" "$(jq '.buses[0].first_quiet_s' m.json)" 94.57
has <(jq -r '.left_out[]' m.json) "the other bus is told" "other"

# A clock that was set back by an hour in the night: no hour is lost or won, and a dated mark finds its place.
awk -F'[()]' '{ t = $2; if (NR > 600) t -= 3600; printf "(%.6f)%s\n", t, $3 }' night.log >step.log
run 0 "a clock that is set back" import --can step.log --key-off 30 --force -o m.lull
"$lull" report --format json m.lull >m.json
is "all frames" "$(jq '.buses[0].frames' m.json)" "$(wc -l <night.log)"
is "it lasts as long" "$(jq '.duration_s | . > 600 and . < 610' m.json)" true
is "the step is coverage" "$(jq -c '[.coverage.blind[].why] | unique' m.json)" '["clock step"]'

# CSV whose columns have names of their own.
awk -F'[ ()#]+' '{ printf "%.3f;%s;%s\n", $2 * 1000, $4, $5 }' night.log | sed '1i when (ms);which;what' >night.csv
run 2 "columns that cannot be found" import --can night.csv -o c.lull
run 0 "columns told by name" import --can body=night.csv --csv-columns 'time=when (ms),id=which,data=what,unit=ms' -o c.lull
is "all frames" "$("$lull" report --format json c.lull | jq -c '[.buses[0].name, .buses[0].frames]')" "[\"body\",$(wc -l <night.log)]"
run 0 "columns told by number" import --can night.csv --csv-columns time=1,id=2,data=3,unit=ms -f -o c.lull
is "the same three IDs at the same times" "$("$lull" report --format json c.lull | jq -c '[.ids[] | [.id, .last_s]]')" \
	'[["0x100",30],["0x200",604.83],["0x300",605]]'
exit $bad
