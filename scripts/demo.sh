#!/usr/bin/env bash
# demo: invents a night, imports it, prints the verdict; everything it writes is in demo/.
# usage: scripts/demo.sh [WHERE]; WHERE/demo instead of demo beside the sources.
# B: the build folder. SCENARIO and SEED choose another night (build/lull simulate --list).
set -euo pipefail
cd "$(dirname "$0")/.."
scenario=${SCENARIO:-one-node-holds}
seed=${SEED:-1}
folder=demo
PATH=$PWD/${B:-build}:$PATH
[ $# = 0 ] || cd "$1"

run() {
	printf '$ %s\n' "$*"
	"$@"
}

rm -rf "$folder"
mkdir "$folder"
printf '$ %s\n' "lull simulate $scenario --seed $seed --named-nodes -o $folder"
lull simulate "$scenario" --seed "$seed" --named-nodes -o "$folder" >"$folder/commands.txt"
# simulate ends with the commands that read what it wrote; the import is taken from there.
import=$(sed -e ':join' -e '/\\$/N; s/ *\\\n */ /; t join' "$folder/commands.txt" | grep '^lull import ')
printf '$ %s\n' "$import"
eval "$import"
status=0
run lull report "$folder/night.lull" || status=$?
# 1 is a finding other than "within the limit": what a demo is for.
[ $status -le 1 ]
lull report "$folder/night.lull" >"$folder/report.txt" || [ $? = 1 ]
lull report --format json "$folder/night.lull" >"$folder/report.json" || [ $? = 1 ]
echo
echo "Written: $folder/report.txt, $folder/report.json, and the recording $folder/night.lull."
echo "The truth of this night is in $folder/truth.json; no command reads it."
