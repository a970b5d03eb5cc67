#!/usr/bin/env bash
# browser: the report and the live view in headless Chromium, driven by WebDriver (python3-selenium).
# usage: LULL=build/lull tests/browser/run.sh [FOLDER for screenshots]
# axe-core comes from the npm registry into a folder of its own; without it that part is skipped, visibly.
set -uo pipefail
here=$(cd "$(dirname "$0")/../.." && pwd) || exit 2
lull=$(realpath "${LULL:-$here/build/lull}")
python=/usr/bin/python3
shots=${1:-$(mktemp -d)}
mkdir -p "$shots"
for need in chromium chromedriver; do
	command -v $need >/dev/null || {
		echo "ok - browser # SKIP $need is not installed"
		exit 0
	}
done
$python -c 'import selenium' 2>/dev/null || {
	echo "ok - browser # SKIP python3-selenium is not installed"
	exit 0
}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
axe=
if command -v npm >/dev/null && npm install --silent --no-audit --no-fund --no-save --prefix "$work/npm" axe-core@4 >/dev/null 2>&1; then
	axe=$work/npm/node_modules/axe-core/axe.min.js
fi
cd "$work" || exit 2
LULL=$lull AXE=$axe SHOTS=$shots $python "$here/tests/browser/pages.py"
