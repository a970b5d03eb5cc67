#!/usr/bin/env bash
# Whole imports of open captures against general-purpose readers of the same files. LULL: the program.
# The data stand beside the project (../shared) or where LULL_SHARED says; without them everything is skipped.
set -euo pipefail
cd "$(dirname "$0")/../.."
export LULL=${LULL:-build/lull} LULL_SHARED=${LULL_SHARED:-../shared}
if [ ! -d "$LULL_SHARED/data" ]; then
	echo "ok - open data # SKIP there is no $LULL_SHARED/data"
	exit 0
fi
# The Debian modules belong to the Debian interpreter, whatever else is first in PATH.
python=/usr/bin/python3
[ -x $python ] || python=python3
exec $python tests/data/import.py
