#!/usr/bin/env bash
# readme: the README shows what the demo, the comparison, learning by unplugging and checking a profile print, to the letter. B: the build folder.
# usage: tests/golden/readme.sh [--update]
# A block stands behind the line that ends with "In full:" (the demo) or begins with its command, and ends before the next heading.
set -euo pipefail
cd "$(dirname "$0")/../.."
export TZ=UTC LC_ALL=C.UTF-8 NO_COLOR=1
unset COLUMNS SCENARIO SEED
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
lull=$PWD/${B:-build}/lull

# invented FOLDER SCENARIO OPTION...: a night and its recording, as the README says.
invented() {
	local folder=$1 import
	shift
	(cd "$work" && "$lull" simulate "$@" -o "$folder" >"$folder.txt")
	import=$(sed -e ':join' -e '/\\$/N; s/ *\\\n */ /; t join' "$work/$folder.txt" | grep '^lull import ')
	(cd "$work" && eval "\"$lull\" ${import#lull }" >/dev/null)
}

# said COMMAND...: the command and what it prints on either output. 1 is a finding.
said() {
	echo "\$ lull $*"
	(cd "$work" && "$lull" "$@" 2>&1) || [ $? = 1 ]
}

# shown FIRST PRINTED NAME [BEHIND]: the block of the README that begins with the line FIRST, or behind the one that ends with it, against
# what was printed. With --update it is put there.
update=${1:-} bad=0
shown() {
	sed 's/^./    &/' "$2" >"$work/block"
	# the demo's stands behind FIRST and an empty line, the others begin with it
	awk -v first="$1" -v behind="${4:-}" '
		inside && (/^##+ / || (!/^    / && !/^$/)) { inside = 0 }
		!done && $0 == first || behind && index($0, first) && substr($0, length($0) - length(first) + 1) == first { inside = 1; done = 1; if (behind) { getline; next } }
		inside { print }' README.md | sed -e :trim -e '/^\n*$/{$d;N;btrim' -e '}' >"$work/there"
	if [ "$update" = --update ] && ! cmp -s "$work/there" "$work/block"; then
		python3 - "$work/there" "$work/block" <<'P'
import sys
there, block = (open(p, encoding="utf-8").read() for p in sys.argv[1:])
text = open("README.md", encoding="utf-8").read()
assert there and text.count(there) == 1
open("README.md", "w", encoding="utf-8").write(text.replace(there, block))
P
		cp "$work/block" "$work/there"
	fi
	if diff -u "$work/there" "$work/block"; then
		echo "ok - README shows what $3 prints"
	else
		echo "not ok - README shows what $3 prints: make golden-update puts it right"
		bad=1
	fi
}

scripts/demo.sh "$work" >"$work/printed"
shown "In full:" "$work/printed" "the demo" 1

grep -q '^    \$ lull simulate wakes-nm --seed 5 --named-nodes --after repaired -o after$' README.md
invented before wakes-nm --seed 5 --named-nodes
invented after wakes-nm --seed 5 --named-nodes --after repaired
said compare before/night.lull after/night.lull >"$work/printed"
shown '    $ lull compare before/night.lull after/night.lull' "$work/printed" "the comparison"

# shellcheck disable=SC2016 # as it stands there
grep -q 'In `lull simulate pull-repeated --seed 9`' README.md
invented pulled pull-repeated --seed 9
said learn pulled/night.lull -o - >"$work/printed"
shown '    $ lull learn pulled/night.lull -o -' "$work/printed" "learning"

ln -s "$PWD/profiles" "$work/profiles"
said profile check profiles/passenger-car-nm.ini >"$work/printed"
shown '    $ lull profile check profiles/passenger-car-nm.ini' "$work/printed" "checking a profile"
exit $bad
