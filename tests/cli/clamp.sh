#!/usr/bin/env bash
# clamp: a current clamp's log through import, report and export; and fuses.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

night night.log
# The clamp beside it: 2 samples a second, its clock 1,000 s ahead, 20 mA asleep, 3 A with the key on, 900 mA awake.
awk 'BEGIN {
	print "time;current (mV)"
	for (i = 0; i < 1300; i++) {
		t = i / 2
		mA = t < 30 ? 3000 : t < 95 || (t >= 600 && t < 605) ? 900 : 20
		v = sprintf("%.2f;%.3f", 1000 + t, (mA + (i * 7919 % 11 - 5)) / 10)
		gsub(/\./, ",", v)
		print v
	}
}' >clamp.csv

run 2 "a log in mV without a scale" import --can night.log --clamp clamp.csv -o n.lull
has err "asks for the scale" "--clamp-scale 10mV/A or 100mV/A"
[ ! -e n.lull ] && ok "nothing was written" || not_ok "n.lull was written"
run 0 "with a scale" import --can night.log --clamp clamp.csv --clamp-scale 100mV/A --zero-before 0.1 \
	--zero-after "1 mA" -k 30 -o n.lull
has out "what it took the log for" "clamp.csv: 1300 samples in mV at 100 mV/A, every 500 ms"
run 1 "report" report n.lull
has out "the current has a section" "THE CURRENT"
has out "the zero was taken off" "read before and after"
has out "the chart has a row of it" "   current"
run 1 "report with a complaint" report --flat-after 3d --capacity 30Ah --battery agm --charge 80% n.lull
has out "30 Ah in 72 h is 417 mA" "417 mA"
has out "a forecast" "half charge after"
run 1 "report as JSON" report --format json --flat-after 72h --reserve 120 --rest-voltage 12.5 n.lull
has out "reserve over 2.4 is 50 Ah at least" '"needed_mA": '
run 0 "turned by mistake" import --can night.log --clamp clamp.csv --clamp-scale 100mV/A --clamp-invert --zero-before 0.1 --zero-after 0.1 \
	-k 30 -o t.lull
run 1 "its report" report t.lull
sed -z 's/\n  */ /g' out >flat
has flat "says that it was turned back" "turned, as told, and turned back"
hasnt out "nothing is minus nothing" "-0.0 mA"
printf 'time,mark\n30,key off\n640,clamp zero\n' >zero.csv
run 0 "a zero by a mark" import --can night.log -m zero.csv --clamp clamp.csv --clamp-scale 100mV/A -o z.lull
has out "is looked for" 'where marks say "clamp zero"'
awk '{ if (NR == 1) print; else { split($0, f, ";"); gsub(",", ".", f[2]); printf "%s;%g\n", f[1], f[2] * 10 } }' clamp.csv |
	sed 's/current (mV)/current (A)/' | tr ',' '.' >amperes.csv
run 1 "milliamperes that call themselves amperes" import --can night.log --clamp amperes.csv -k 30 -o u.lull
run 1 "their report" report u.lull
has out "asks for the unit" "--clamp-unit"
run 2 "no such battery" report --battery lead n.lull
has err "names those known" "flooded, efb, agm or gel"
run 2 "no time" report --flat-after soon n.lull
run 2 "two charges" report --charge 80 --rest-voltage 12.5 n.lull
run 2 "24 V" report --capacity 70 --rest-voltage 24.8 n.lull
has err "is two batteries" "tell one of the two"
run 1 "a complaint without a capacity" report --flat-after 3d n.lull
has err "is not passed over in silence" "--capacity AH, --reserve TIME"
run 2 "two capacities" report --capacity 70 --reserve 120 n.lull
run 2 "too full" report --charge 110 n.lull

run 0 "export" export --current-raw -o current.csv n.lull
is "columns with their units" "$(head -n 1 current.csv)" "time (s),current (mA)"
is "the first sample as the log had it" "$(sed -n 2p current.csv)" "1000.000000000,2995.000"
is "all samples" "$(wc -l <current.csv)" 1301
run 0 "read back, alone" import --clamp current.csv -o again.lull
has out "current only" "current only"
run 0 "export again" export --current-raw -o again.csv again.lull
cmp -s current.csv again.csv && ok "the same samples" || not_ok "the samples differ"
run 1 "report of current alone" report again.lull
has out "says what is missing" "no bus beside it"
hasnt out "and not the adapter" "Check adapter"
has out "no bus was heard" "no bus was listened to"
run 2 "no current to export" export --current --coverage n.lull
run 0 "a night without a clamp" import --can night.log -k 30 -f -o n.lull
run 2 "has no current" export --current n.lull
has err "and says so" "holds no current"
run 1 "but may have a battery" report --capacity 70 n.lull
has out "it says that none was measured" "was not measured"

# Dates, a profile that tells the scale, and lines that are no sample.
cat >car.ini <<'END'
[battery]
reserve_min = 120
type = efb
[clamp]
scale = 10mV/A
range_A = 60
logger_mA = 290
END
awk 'BEGIN {
	print "Date;Time;Reading;Unit"
	for (i = 0; i < 120; i++) printf "05.03.2026;22:%02d:%02d;%s;mV\n", i / 60, i % 60, i == 30 ? "OL" : i == 50 ? "x" : "0,9"
}' >meter.csv
gzip -k meter.csv
run 1 "a meter's log, packed" import --clamp meter.csv.gz -p car.ini -o m.lull
has out "the profile's scale" "119 samples in mV at 10 mV/A"
has out "an overload is the end of the range" "1 reading at the end of its range"
run 1 "report" report m.lull
has out "what was passed over, and where" "meter.csv.gz:52: \"x\" is not a number"
has out "the logger's own draw" "290 mA were taken off"
run 0 "export" export --current-raw m.lull
is "dates come back as dates" "$(sed -n 2p out)" "2026-03-05T22:00:00.000000000Z,90.000"
is "at the end of the range" "$(sed -n 32p out)" "2026-03-05T22:00:30.000000000Z,60000.000"
is "an empty cell where there is no reading" "$(sed -n 52p out)" "2026-03-05T22:00:50.000000000Z,"

run 2 "an absent log" import --clamp absent.csv -o x.lull
has err "names it" "absent.csv"
run 2 "a scale of something else" import --clamp clamp.csv --clamp-scale 100mA -o x.lull
run 2 "a column that is not there" import --clamp clamp.csv --clamp-scale 10 --clamp-columns value=amps -o x.lull
run 2 "an unknown key" import --clamp clamp.csv --clamp-columns colour=1 -o x.lull
has err "names those known" "time, value, date, unit"
run 2 "a zero that is no reading" import --clamp clamp.csv --clamp-scale 10 --zero-before much -o x.lull
has err "shows how" "0.4mV"
run 2 "a zero without a log" import --can night.log --zero-before 1mA -o x.lull
has err "says what is missing" "--clamp FILE"
run 2 "nothing at all" import -o x.lull
[ ! -e x.lull ] && ok "nothing was written" || not_ok "x.lull was written"

run 0 "a fuse" fuse --rating 10 --type ato 2.3mV
has out "2.3 mV on 7.7 mOhm" "299 mA"
has out "what the meter sees" "13 mA"
has out "how not to do it" "wakes modules"
run 0 "leads the other way round" fuse -r 10 -t ato -2.3mV
has out "the same current" "299 mA"
run 2 "two readings, one negative" fuse -r 10 -t ato 1mV -2.3mV
run 0 "volts that call themselves millivolts" fuse -r 10 -t ato 500mV
has out "more than the fuse carries" "more than the fuse carries"
run 0 "nothing shown" fuse -r 30A -t ATO 0.0
has out "is below, not none" "below"
run 0 "the leads' own reading" fuse -r 10 -t ato 2.4mV --shorted 0.1mV --meter-resolution 0.01mV
has out "is taken off" "299 mA"
run 2 "an unknown type" fuse -r 10 -t glass 1mV
has err "is not guessed" "not guessed"
has err "the way out" "--milliohm"
run 0 "by its data sheet" fuse --milliohm 9.5 1.9mV
has out "by Ohm's law" "200 mA"
run 2 "both a type and a resistance" fuse -r 10 -t ato --milliohm 9.5 1mV
run 2 "an unknown rating" fuse -r 12 -t ato 1mV
has err "names those known" "7.5, 10, 15"
printf 'fuse,type,rating,millivolts,after\nF12 radio,ato,10,2.3,0.1\nF3,ato,30,0.0,\n' >survey.csv
run 0 "a survey" fuse --survey survey.csv --clamp-mA 900
has out "what no fuse explains" "alternator's B+"
has out "before and after" "286 mA less"
is "a survey fits 80 columns" "$(grep -E '.{81}' out)" ""
printf 'fuse,type,rating,millivolts\nF7 pump,ato,10,500\nF8,ato,10,50\n' >odd.csv
run 0 "a clamp that reads negative" fuse --survey odd.csv --clamp-mA -900
run 0 "a survey with an odd reading" fuse --survey odd.csv
has out "names the fuse" "F7 pump reads more than it carries"
hasnt out "and no other" "F8 reads more"
echo "F4,glass,5,1" >>survey.csv
run 2 "one unknown fuse in it" fuse --survey survey.csv
has err "is told by its line" "survey.csv:4:"
run 0 "the table" fuse --list
has out "each with its source" "from memory"
exit $bad
