#!/usr/bin/env bash
# Names: refused where they come from, unless they begin with a letter or a digit; those of foreign recordings are escaped in what
# is written for a spreadsheet, and import undoes that. All names here are invented.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

night n.log
rlo=$'\u202e'

# At the source.
run 2 "a bus name as an option" import --can "=1+1=n.log" -o x.lull
run 2 "a bus name that turns writing" import --can "a${rlo}b=n.log" -o x.lull
has err "says what is wrong" "a mark of writing direction"
run 0 "a bus name with umlauts" import --can "Übersicht=n.log" -o x.lull
is "is kept" "$("$lull" report --format json x.lull | jq -r '.buses[0].name')" "Übersicht"
printf '[node @SUM(1)]\nids = 0x100\n' >car.ini
run 2 "a module's name in a profile" import --can n.log -p car.ini -o y.lull
has err "with file and line" "car.ini:1: the name in [node NAME] does not begin with a letter or a digit"
printf 'time,mark\n30,unplugged =cmd\n' >marks.csv
run 2 "a module's name in a note" import --can n.log --marks marks.csv -o y.lull
has err "with file and line" "marks.csv:2: the name behind 'unplugged' does not begin with a letter or a digit"
printf 'fuse,type,rating,millivolts\n+1,ato,10,2.3\n' >survey.csv
run 2 "a fuse's name in a survey" fuse --survey survey.csv
has err "with file and line" "survey.csv:2: the fuse's name does not begin with a letter or a digit"
is "nothing is written" "$(ls y.lull* 2>/dev/null)" ""

# A capture is not refused: its bus is called otherwise, and import says so.
sed 's/ can0 / +1 /' n.log >plus.log
run 0 "a capture with a name that will not do" import --can plus.log -b can0=500k -o plus.lull
has out "says what the bus is called" "Bus '+1' is called can0 in the recording: its name does not begin with a letter or a digit"
is "it is called so" "$("$lull" report --format json plus.lull | jq -r '.buses[0].name')" "can0"
run 0 "its bit rate by its own name" import --can plus.log -b +1=500k -f -o plus.lull
run 2 "a bit rate for another" import --can plus.log -b +2=500k -f -o plus.lull
awk 'NR % 2 { sub(/ can0 /, " @x ") } 1' n.log >two.log
run 0 "two buses of one capture" import --can two.log -o two.lull
has out "the free name is taken" "Bus '@x' is called can1 in the recording"
is "they stay two" "$("$lull" report --format json two.lull | jq -c '[.buses[].name] | sort')" '["can0","can1"]'
awk 'NR < 400 { sub(/ can0 /, " @x ") } 1' n.log >late.log
run 0 "the taken name turns up later" import --can late.log -o late.lull
has out "both are said" "Bus 'can0' is called can1 in the recording: another bus has that name already"
is "and they stay two" "$("$lull" report --format json late.lull | jq -c '[.buses[].name] | sort')" '["can0","can1"]'
sed 's/ can0 / a\xe2\x80\xaeb /' n.log >turn.log
run 0 "a name that turns writing" import --can turn.log -o turn.lull
has out "is shown harmlessly" "Bus 'a\\u202eb' is called can0 in the recording: its name holds a control character or a mark of writing direction"

# A foreign recording: its names are taken as they are.
cat >names.py <<'END'
import csv, json, re, sqlite3, sys

HOSTILE = ["=cmd|' /C calc'!A0", "+1", "-2+3", "@SUM(1)", "a\u202eb", "\u2066x", "\t=1", "*", "'quoted'", '"=1",;', "\\u{41}", "\\",
           "7", "007", " =1", "#x", "", "\u00dcber; alles", "a;=1+1", "C:\\x"]
# As the program reads it: a control character becomes '?'.
def read(name): return re.sub(r"[\x00-\x1f\x7f-\x9f]", "?", name)
def undo(text): return re.sub(r"\\u\{([0-9A-Fa-f]{1,6})\}", lambda m: chr(int(m[1], 16)), text)
ACTS = re.compile("[\x00-\x1f\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]")

def rename(path, name):
    db = sqlite3.connect(path)
    db.execute("UPDATE bus SET name = ?", (name,))
    db.execute("UPDATE text SET value = ? WHERE key = 'profile'",
               ("[node =cmd|x]\nids = 0x300\n[node a\u202eb]\nids = 0x200\n",))
    db.commit()
    db.close()

def cells(path):
    with open(path, newline="", encoding="utf-8") as f:
        return list(csv.reader(f))

number = re.compile(r"[+-]?[0-9.]+(e[+-]?[0-9]+)?$")
def harmless(path):
    raw = open(path, newline="", encoding="utf-8").read()
    for line in cells(path)[1:]:
        for cell in line:
            if not cell or number.match(cell): continue
            assert cell == "*" or cell[0].isalnum() or cell[0] == "\\", cell
            assert not ACTS.search(cell), cell
    assert not ACTS.search(raw.replace("\n", "")), "the file"

if __name__ == "__main__":
    do, args = sys.argv[1], sys.argv[2:]
    if do == "count": print(len(HOSTILE))
    elif do == "rename": rename(args[0], HOSTILE[int(args[1])])
    elif do == "harmless": [harmless(p) for p in args]
    elif do == "is":  # FILE COLUMN I: every cell of that column is the name
        want = read(HOSTILE[int(args[2])])
        head, *rows = cells(args[0])
        got = {undo(r[head.index(args[1])]) for r in rows} - {"*"} | ({"*"} if want == "*" else set())
        assert got == {want} or (want == "" and got == {"\\u{}"}), (got, want)
    elif do == "json":
        want = read(HOSTILE[int(args[2])])
        raw = open(args[0], encoding="utf-8").read()
        assert all(ord(c) < 128 for c in raw)
        assert {json.loads(l)[args[1]] for l in raw.splitlines()} == {want}
END
printf '[node door]\nids = 0x300\n' >car.ini
printf 'bus,from,to,why\n*,-5,-1,not listening\ncan0,200,300,link-down\n' >told.csv
run 0 "a night" import --can n.log -p car.ini -k 30 --coverage told.csv -o good.lull
for what in coverage frames; do
	"$lull" export --$what --format csv good.lull >good-$what.csv
done
check() { # NAME ARGUMENT...
	local name=$1
	shift
	if python3 names.py "$@" 2>said; then ok "$name"; else
		not_ok "$name: $(tail -1 said)"
	fi
}
without_bus() { python3 -c 'import csv, sys
for r in csv.reader(open(sys.argv[1], newline="")): print(r[0] == "*", *r[1:])' "$1"; }

for ((i = 0; i < $(python3 names.py count); i++)); do
	cp good.lull bad.lull
	python3 names.py rename bad.lull "$i"
	for what in spells stretches frames coverage; do
		"$lull" export --$what --format csv -o bad-$what.csv bad.lull || not_ok "export --$what of name $i"
	done
	check "name $i: all CSV is harmless" harmless bad-spells.csv bad-stretches.csv bad-frames.csv bad-coverage.csv
	for what in spells stretches frames coverage; do
		check "name $i: --$what holds it, escaped" is bad-$what.csv bus "$i"
	done
	"$lull" export --stretches --format jsonl -o bad.jsonl bad.lull
	check "name $i: JSON holds it as it is" json bad.jsonl bus "$i"
	"$lull" export --frames -o bad.pcapng bad.lull
	# Export, import, export: the same rows, whatever the bus is called.
	for from in bad-frames.csv bad.pcapng; do
		"$lull" import --can "$from" --coverage bad-coverage.csv -f -o again.lull >said 2>&1
		got=$?
		if [ "$i" != 16 ]; then # no capture names a bus ""
			is "name $i: $from and its coverage go in whole" "$got" 0
			"$lull" export --coverage -o again-coverage.csv again.lull
			"$lull" export --frames --format csv -o again-frames.csv again.lull
			is "name $i: $from gives the frames again" "$(without_bus again-frames.csv | md5sum)" "$(without_bus bad-frames.csv | md5sum)"
			is "name $i: $from leaves each told row its bus" "$(without_bus again-coverage.csv | grep -c link-down)" \
				"$(without_bus bad-coverage.csv | grep -c link-down)"
		fi
	done
done
# What is shown: the name of the bus begins with a direction mark.
python3 names.py rename bad.lull 5
for form in text html; do
	"$lull" report --format $form bad.lull >bad.$form
	if LC_ALL=C grep -qP '\xe2\x80\xae|\xe2\x81\xa6' bad.$form; then not_ok "a direction mark stands in the $form"; else
		has bad.$form "direction marks are shown by number in $form" "\\u2066x"
	fi
done
exit $bad
