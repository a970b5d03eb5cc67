#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# fit-weights: fits the weights of src/core/weights.h on invented nights and shows them on others.
# usage: scripts/fit-weights.sh [SEEDS [FIRST-TO-FIT [FIRST-HELD-OUT]]]
# Prints the lines for src/core/weights.h; writes nothing there. NIGHTS names the program (build/nights).
set -euo pipefail
cd "$(dirname "$0")/.."
seeds=${1:-120} fit=${2:-1001} held=${3:-2001}
nights=${NIGHTS:-build/nights}
[ -n "${NIGHTS:-}" ] || make -s nights-build
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
# What they say of themselves does not matter here: the rows do.
"$nights" --seeds "$seeds" --first "$fit" --evidence "$work/fit.csv" >"$work/fit.log" || [ $? = 1 ]
"$nights" --seeds "$seeds" --first "$held" --evidence "$work/held.csv" >"$work/held.log" || [ $? = 1 ]
echo "fitted on seeds $fit to $((fit + seeds - 1)), shown on seeds $held to $((held + seeds - 1))"
# numpy and scipy belong to the Debian interpreter, whatever else is first in PATH.
python=/usr/bin/python3
[ -x $python ] || python=python3
$python scripts/fit-weights.py "$work/fit.csv" "$work/held.csv"
