#!/usr/bin/env bash
# readme: the README shows what the demo prints, to the letter. B: the build folder.
# usage: tests/golden/readme.sh [--update]
set -euo pipefail
cd "$(dirname "$0")/../.."
export TZ=UTC LC_ALL=C.UTF-8 NO_COLOR=1
unset COLUMNS SCENARIO SEED
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
scripts/demo.sh "$work" >"$work/printed"
sed 's/^./    &/' "$work/printed" >"$work/block"
# The block stands behind the line that ends with "In full:" and before the next heading.
if [ "${1:-}" = --update ]; then
	awk -v block="$work/block" '
		inside && /^##+ / { inside = 0; print "" }
		!inside { print }
		/In full:$/ { inside = 1; print ""; while ((getline line <block) > 0) print line }' README.md >"$work/README.md"
	cp "$work/README.md" README.md
fi
awk '/^##+ / { inside = 0 } inside { print } /In full:$/ { inside = 1 }' README.md | sed '1d; $d' >"$work/shown"
if diff -u "$work/shown" "$work/block"; then
	echo "ok - README shows what the demo prints"
else
	echo "not ok - README shows what the demo prints: make golden-update puts it right"
	exit 1
fi
