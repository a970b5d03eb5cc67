#!/usr/bin/env bash
# shellcheck disable=SC2034,SC2154 # variables of the two that are read in, and some that only the tests read
# lib: what the tests in the emulated arm64 Debian share, beside what they have in common with those of tests/bus. Here the recorder is
# the package's, started by systemd as its own user, and its recordings lie where the package puts them.
# shellcheck source=tests/bus/lib.bash
. "$ROOT/tests/bus/lib.bash"
# shellcheck source=tests/bus/lulld.bash
. "$ROOT/tests/bus/lulld.bash"
folder=/var/lib/lull

# runs NAME COMMAND...: it must succeed; what it said is shown if it does not.
runs() {
	local name=$1 rc=0
	shift
	"$@" >"$work/out" 2>&1 || rc=$?
	if [ $rc = 0 ]; then
		ok "$name"
	else
		not_ok "$name" "failed ($rc): $*"
		sed 's/^/    | /' "$work/out"
	fi
}
settled() {
	systemctl is-system-running --wait >"$work/state" 2>&1 || :
	is "the machine has started whole" "$(cat "$work/state")" running
	[ "$(cat "$work/state")" = running ] || systemctl --failed --no-legend
}
# wants FILE...: packages that apt installs, without a network.
apt_installs() { apt-get -y -q -o APT::Sandbox::User=root install "$@"; }
judge() { lull report --format json "${1:-$(recording)}" >"$verdict" 2>"$work/judge.err"; }
version_of() { dpkg-query -W -f '${Version}' lull; }
# property NAME: of the unit
property() { systemctl show -P "$1" lulld.service; }
processes() { cat /sys/fs/cgroup/system.slice/lulld.service/cgroup.procs 2>/dev/null; }
main_pid() { property MainPID; }
# of_process PID FIELD: of /proc/PID/status
of_process() { sed -n "s/^$2:[[:space:]]*//p" "/proc/$1/status" | tr '\t' ' '; }
listening() { journalctl -q -u lulld.service -o cat --no-pager | grep -o 'bus [a-z0-9]*: listening on' | sort -u | wc -l; }
hears() { [ "$(listening)" -ge "$1" ]; }
# again N: it has begun so often to listen on its first bus.
again() {
	local first
	first=$(sed -n 's/^\[bus \([^]]*\)\]$/\1/p' /etc/lull/lull.conf | head -n 1)
	[ "$(journalctl -q -u lulld.service -o cat --no-pager | grep -c "bus $first: listening on")" -ge "$1" ]
}
# The stamps of `can_play -t` (ns of CLOCK_BOOTTIME) within and outside of the recording's blind times of a bus: "OUTSIDE WITHIN".
stamps_apart() { # STAMPS BUS
	jq -r --arg b "$2" --argjson z "$(zero)" '.coverage.blind[] | select(.bus == $b) | "\(.from_s + $z) \(.to_s + $z)"' "$verdict" |
		awk 'NR == FNR { from[NR] = $1; to[NR] = $2; n = NR; next }
			{ t = $1 / 1e9; within = 0; for (i = 1; i <= n; i++) if (t >= from[i] - 0.05 && t <= to[i] + 0.05) within = 1
			  if (within) in_blind++; else out++ }
			END { print out + 0, in_blind + 0 }' - "$1"
}
