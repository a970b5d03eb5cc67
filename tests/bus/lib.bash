#!/usr/bin/env bash
# shellcheck disable=SC2034 # variables that only the tests read
# lib: what the tests inside a guest share. Runs as root in the guest; the host's files are read-only, /run is memory.
#   ROOT  the project     BUILD  its build folder     OUT  a folder of the host that can be written
set -u
tools=$BUILD/bus
failures=0

# The log is the host's file: what was said survives whatever happens to the guest.
said() { sync "$OUT/log" 2>/dev/null || :; }
ok() {
	echo "ok - $1"
	said
}
not_ok() {
	echo "not ok - $1: $2"
	failures=$((failures + 1))
	said
}
skip() { echo "ok - $1 # SKIP $2"; }
# is NAME GOT WANTED
is() { if [ "$2" = "$3" ]; then ok "$1"; else not_ok "$1" "got '$2', wanted '$3'"; fi; }
# like NAME TEXT REGEX
like() { if grep -qE -- "$3" <<<"$2"; then ok "$1"; else not_ok "$1" "'$3' is not in: $2"; fi; }
# within NAME GOT WANTED TOLERANCE
within() {
	if awk -v g="${2:-x}" -v w="$3" -v t="$4" 'BEGIN { exit !(g == g + 0 && g - w <= t && w - g <= t) }'; then
		ok "$1"
	else
		not_ok "$1" "got '$2', wanted $3 +- $4"
	fi
}
# did NAME COMMAND...: it must succeed
did() {
	local name=$1
	shift
	if "$@"; then ok "$name"; else not_ok "$name" "failed ($?): $*"; fi
}
finish() { [ $failures = 0 ]; }

# until_true SECONDS COMMAND...: polls ten times a second
until_true() {
	local tries=$(($1 * 10))
	shift
	while ! "$@" >/dev/null 2>&1; do
		[ $((tries--)) -gt 0 ] || return 1
		sleep 0.1
	done
}

# --- interfaces ---

vcan() {
	ip link add dev "$1" type vcan && ip link set "$1" mtu 72 && ip link set "$1" up
}
# confined PID: one of its children runs under a seccomp filter
confined() {
	local child
	for child in $(pgrep -P "$1"); do
		grep -qE '^Seccomp:\s+2' "/proc/$child/status" && return 0
	done
	return 1
}
# stat_of IFACE NAME: a counter of the interface
stat_of() { cat "/sys/class/net/$1/statistics/$2" 2>/dev/null; }

# The serial-line adapter: slcan_start NAME; then `slcan COMMAND...` (see slcan_adapter.c); $slcan_iface, $slcan_port, $slcan_heard.
slcan_start() {
	slcan_heard=/run/t/$1.heard slcan_out=/run/t/$1.out
	mkfifo "/run/t/$1.script"
	"$tools/slcan_adapter" "$slcan_heard" <"/run/t/$1.script" >"$slcan_out" &
	slcan_pid=$!
	exec {slcan_fd}>"/run/t/$1.script"
	until_true 5 grep -q iface "$slcan_out" || return 1
	slcan_iface=$(sed -n 's/^iface //p' "$slcan_out" | tail -n 1)
	# shellcheck disable=SC2034 # for the tests
	slcan_port=$(sed -n 's/^port //p' "$slcan_out" | tail -n 1)
}
slcan() { echo "$*" >&"$slcan_fd"; }
slcan_end() {
	exec {slcan_fd}>&-
	wait "$slcan_pid"
}
