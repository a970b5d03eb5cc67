#!/usr/bin/env bash
# simulate: an invented night is written as files, and the command it prints reads them.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

scenario=$("$lull" simulate --list | head -n 1)
run 0 "simulate $scenario" simulate "$scenario" --seed 7 --named-nodes --hours 0.5 -o "a night"
cp out commands
for file in clamp.csv marks.csv coverage.csv car.ini truth.json; do
	if [ -s "a night/$file" ]; then ok "$file"; else not_ok "$file is missing"; fi
done
is "the truth is JSON" "$(jq -r '.scenario, .seed' "a night/truth.json" | paste -sd' ')" "$scenario 7"
PATH=$(dirname "$lull"):$PATH
bash -e commands >report.txt 2>err
is "the printed commands run" $? 1
has report.txt "and give a verdict" "VERDICT"
# tcpdump reads the same file: an independent reader of the format (LINKTYPE_CAN_SOCKETCAN).
capture=$(find "a night" -name '*.pcap' | head -n 1)
if command -v tcpdump >/dev/null; then
	is "tcpdump counts the same frames" \
		"$(for f in "a night"/*.pcap; do tcpdump --count -r "$f" 2>/dev/null; done | awk '{ n += $1 } END { print n }')" \
		"$("$lull" report --format json "a night/night.lull" | jq '[.buses[] | .frames + .errors] | add')"
	has <(tcpdump -r "$capture" -c 1 2>&1) "tcpdump knows the link type" "CAN_SOCKETCAN"
else
	ok "tcpdump counts the same frames # SKIP tcpdump is not installed"
fi
run 2 "the same folder again" simulate "$scenario" --seed 7 --hours 0.5 -o "a night"
has err "--force" "--force"
before=$(sha256sum "$capture" | cut -d' ' -f1)
run 0 "the same folder with --force" simulate "$scenario" --seed 7 --named-nodes --hours 0.5 --force -o "a night"
is "same seed, same night" "$(sha256sum "$capture" | cut -d' ' -f1)" "$before"
run 0 "another seed" simulate "$scenario" --seed 8 --named-nodes --hours 0.5 --force -o "a night"
if [ "$(sha256sum "$capture" | cut -d' ' -f1)" != "$before" ]; then ok "another night"; else not_ok "the same night"; fi

# Every scenario: short nights go through all commands, and what is printed fits.
for scenario in $("$lull" simulate --list | grep -v '^ '); do
	rm -rf night
	"$lull" simulate "$scenario" --seed 2 --hours 1 -o night >commands 2>err
	sed -i '/^lull report/d' commands
	bash -e commands >out 2>>err
	got=$?
	if [ $got -le 1 ]; then ok "$scenario: import"; else not_ok "$scenario: import ends with $got"; fi
	for form in "report" "ids" "report --format json"; do
		# shellcheck disable=SC2086 # words are wanted
		"$lull" $form night/night.lull >out 2>>err
		got=$?
		if [ $got -le 1 ] && [ -s out ]; then ok "$scenario: $form"; else not_ok "$scenario: $form ends with $got"; fi
		[ "$form" = "report --format json" ] || is "$scenario: $form fits 80 columns" "$(grep -E '.{81}' out)" ""
	done
	jq -e 'all(.findings[]; .named == null or .named.confidence > 0.5)' out >/dev/null
	is "$scenario: nobody is named at even odds" $? 0
	[ ! -s err ] || sed 's/^/    /' err
done
exit $bad
