#!/usr/bin/env bash
# IDs put together by timing: how sure that is in the report, and a profile of it that reads back.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

run 0 "an invented night" simulate wakes-one-node --seed 4 -o sim
run 0 "imported" import --can sim/capture.pcap --coverage sim/coverage.csv -o n.lull
run 2 "no test, nothing learned" learn n.lull -o no.ini
run 0 "what timing shows" learn --timing n.lull -o car.ini
has car.ini "says how sure it is" "sure on invented nights."
has car.ini "names what is to be renamed" "[node sender of 0x"
run 0 "the profile is one" profile check car.ini
"$lull" report --format json n.lull >n.json
groups=$(jq '[.nodes[] | select(.named_by == "timing" and .kin)] | length' n.json)
is "as many nodes as the report has" "$(grep -c '^\[node' car.ini)" "$groups"
is "each between a half and one" "$(jq '[.nodes[], .ids[] | .kin | select(. and (. <= 0.5 or . >= 1))] | length' n.json)" 0
is "none for an ID alone" "$(jq '[.nodes[] | select((.ids | length) == 1 and .kin)] | length' n.json)" 0
"$lull" report --format json --profile car.ini n.lull >again.json
is "the profile's nodes are named by it" "$(jq '[.nodes[] | select(.named_by == "profile")] | length' again.json)" "$groups"
exit $bad
