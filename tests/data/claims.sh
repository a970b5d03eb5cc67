#!/usr/bin/env bash
# Address claims of open captures against tshark. LULL: the program.
# The data stand beside the project (../shared) or where LULL_SHARED says; without them everything is skipped.
set -euo pipefail
cd "$(dirname "$0")/../.."
export LULL=${LULL:-build/lull} LULL_SHARED=${LULL_SHARED:-../shared}
if [ ! -d "$LULL_SHARED/data/nmea2000" ]; then
	echo "ok - address claims # SKIP there is no $LULL_SHARED/data/nmea2000"
	exit 0
fi
if ! command -v tshark >/dev/null; then
	echo "ok - address claims # SKIP tshark is not installed"
	exit 0
fi
exec python3 tests/data/claims.py
