# shellcheck shell=bash
# lib: what the command-line tests share. Sourced; LULL is the program.
set -uo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")/../.." && pwd) || exit 2
lull=$(realpath "${LULL:-${LULL_BIN:-$here/build/lull}}")
export TZ=UTC LC_ALL=C.UTF-8
unset NO_COLOR COLUMNS
[ -x "$lull" ] || {
	echo "ok - $(basename "$0") # SKIP $lull is not built"
	exit 0
}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work" || exit 2
bad=0

ok() { echo "ok - $1"; }
not_ok() {
	echo "not ok - $1"
	bad=1
}

# run STATUS NAME ARGUMENT...: lull ends with STATUS. out and err hold what it said.
run() {
	local want=$1 name=$2 got=0
	shift 2
	"$lull" "$@" >out 2>err || got=$?
	if [ $got = "$want" ]; then
		ok "$name: ends with $want"
	else
		not_ok "$name: ends with $got, not $want"
		sed 's/^/    /' err
	fi
}

# has FILE NAME TEXT: the file holds the text as it is.
has() {
	if grep -qF -- "$3" "$1"; then
		ok "$2"
	else
		not_ok "$2: '$3' is missing"
		head -n 20 "$1" | sed 's/^/    /'
	fi
}

# hasnt FILE NAME TEXT
hasnt() {
	if grep -qF -- "$3" "$1"; then
		not_ok "$2: '$3' stands there"
	else
		ok "$2"
	fi
}

# is NAME GOT WANT
is() {
	if [ "$2" = "$3" ]; then ok "$1"; else not_ok "$1: '$2' is not '$3'"; fi
}

# night FILE: a text log. Key on for 30 s with three senders; 0x100 stops with the key, 0x200 goes on to 90 s, 0x300 to 95 s.
# One wake of 5 s at 600 s, which 0x300 begins; the log ends there.
night() {
	awk 'BEGIN {
		t0 = 1772750467
		for (i = 0; i <= 9500; i++) {
			t = i / 100
			if (i % 10 == 0 && t <= 30) frame(t, "100#0011223344556677")
			if (i % 20 == 3 && t <= 90) frame(t, "200#00")
			if (i % 50 == 7) frame(t, "300#0102")
		}
		for (i = 0; i <= 500; i++) {
			if (i % 50 == 0) frame(600 + i / 100, "300#0102")
			if (i % 20 == 3 && i > 10) frame(600 + i / 100, "200#00")
		}
	}
	function frame(t, f) { printf "(%.6f) can0 %s\n", t0 + t, f }' >"$1"
}
