#!/usr/bin/env bash
# check-no-transmit: fails if an object file that opens CAN sockets could send on them, or if anything could reach a bus in another way.
# usage: scripts/check-no-transmit.sh SOURCES OBJECTS [PROGRAM...]   two folders of the same shape: SOURCES/a/b.c is OBJECTS/a/b.o
# What it looks at are the symbols and instructions of objects, and the calls of socket() in their sources; they must come from a build without
# sanitizers. What no symbol shows (a descriptor that goes out through memory) is stopped by the seccomp filters: src/source/can_confine.h.
set -euo pipefail
[ $# -ge 2 ] && [ -d "$1" ] && [ -d "$2" ] || {
	echo "not ok - no-transmit: usage: check-no-transmit.sh SOURCES OBJECTS [PROGRAM...]"
	exit 1
}
sources=${1%/} objects=${2%/}
shift 2
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# Where a CAN socket is opened, and in all that is called from there, nothing may be used that writes to a descriptor, in whatever way.
senders='write|writev|pwrite(64)?|pwritev2?(64)?(v2)?|send|sendto|sendmsg|sendmmsg|sendfile(64)?|splice|vmsplice|tee|copy_file_range
|dprintf|vdprintf|fdopen|aio_write(64)?|lio_listio(64)?|io_uring_[a-z_]+|ioctl|nl_send[a-z_]*|sd_[a-z_]+'
senders=$(tr -d '\n' <<<"$senders")
# Nowhere at all: a second way to a bus, around the sockets that are looked at here, or to calls that no symbol shows.
never='pcap_(sendpacket|inject|open_live|create|activate)|sendmmsg|vmsplice|io_uring_[a-z_]+|syscall|dlv?sym|dlm?open|popen|system
|f?exec[lv][a-z]*|execve(at)?|posix_spawnp?'
never=$(tr -d '\n' <<<"$never")
# What instruction makes a system call without the C library: amd64 and i386, arm64 and armhf.
traps='syscall|sysenter|int +\$0x80|svc|swi'

# All that files which open CAN sockets may offer to others: none of these gives a descriptor away. Another one is to be read with care first.
entries='lull_listen|lull_receive|lull_receive_begin|lull_receive_turn'
# The families that socket() may be called with, by name.
known='[AP]F_(CAN|UNIX|LOCAL|INET6?|NETLINK)'
family='\<([AP]F_CAN|[AP]F_PACKET|ETH_P_CAN|ETH_P_CANFD)\>'
bad=0 looked=0 listeners=0
fail() {
	echo "not ok - no-transmit: $*"
	bad=1
}
needs() { awk -v o="$1" '$1 == "NEEDED" && $2 == o { print $3 }' "$work/symbols"; }
offers() { awk -v o="$1" '$1 == "OFFERED" && $2 == o { print $3 }' "$work/symbols"; }

# Calls of socket() in a source, one a line: the first argument; "?" where the name is used otherwise. Comments and texts are left out.
calls() {
	perl -0777 -e '
		$_ = <>;
		s{/\*.*?\*/|//[^\n]*|"(?:\\.|[^"\\\n])*"|\x27(?:\\.|[^\x27\\\n])*\x27}{ }gs;
		s{\\\n}{}g;
		while (/(?<![\w.])(?<!->)(?:__)?socket\b(\s*\(\s*([^,()]*[^,()\s])\s*,)?(?!\.h)/g) { print defined $1 ? $2 : "?", "\n" }' "$1"
}

for header in $(find "$sources" -name '*.[ch]' | sort); do
	if [[ $header == *.h ]] && grep -qE "$family" "$header"; then
		fail "$header names the family of CAN sockets; only the file that opens one may"
	fi
	if grep -qE '^[[:space:]]*#[[:space:]]*(define|undef)[[:space:]]+([AP]F_[A-Z]+|(__)?socket)\>' "$header"; then
		fail "$header gives a socket family, or socket(), another meaning"
	fi
done

pairs=() all=()
while read -r source; do
	object=$objects/${source#"$sources"/}
	object=${object%.c}.o
	if [ -f "$object" ]; then
		pairs+=("$source $object")
		all+=("$object")
	else
		fail "$source has no object $object"
	fi
done < <(find "$sources" -name '*.c' | sort)
[ ${#all[@]} -gt 0 ] || {
	fail "there is no object to look at: that cannot be right"
	exit 1
}
# "NEEDED OBJECT SYMBOL", "OFFERED OBJECT SYMBOL". A fortified call, __NAME_chk, is the call that it stands for.
{
	nm -A -u --format=posix "${all[@]}" | sed -E 's/^([^:]*): ([^ @]*).*/NEEDED \1 \2/; s/ __([a-z0-9_]+)_chk$/ \1/'
	nm -A -g --defined-only --format=posix "${all[@]}" | sed -E 's/^([^:]*): ([^ @]*).*/OFFERED \1 \2/'
} >"$work/symbols"
while read -r object found; do
	fail "$object may not use $found"
done < <(never="^($never)\$" awk '$1 == "NEEDED" && $3 ~ ENVIRON["never"] { f[$2] = f[$2] " " $3 } END { for (o in f) print o f[o] }' "$work/symbols" | sort)
while read -r object found; do
	fail "$object makes a system call by itself: $found"
done < <(objdump -d --no-show-raw-insn "${all[@]}" | traps="^($traps)\$" awk -F '\t' '
	/file format/ { split($0, head, ":"); next }
	NF > 1 { i = $2; sub(/ +$/, "", i); split(i, word, " "); if (i ~ ENVIRON["traps"] || word[1] ~ ENVIRON["traps"]) print head[1], i }' | sort -u)

# What the object calls, and what that calls: objects of ours, one a line.
reached() {
	awk -v from="$1" '
		$1 == "OFFERED" { by[$3] = $2 }
		$1 == "NEEDED" { n = ++count[$2]; needs[$2, n] = $3 }
		END {
			queue[1] = from; seen[from] = 1; last = 1
			for (i = 1; i <= last; i++)
				for (k = 1; k <= count[queue[i]]; k++) {
					o = by[needs[queue[i], k]]
					if (o != "" && !(o in seen)) { seen[o] = 1; queue[++last] = o; print o }
				}
		}' "$work/symbols"
}

listener() {
	local source=$1 object=$2 found other before=$bad
	if found=$(needs "$object" | grep -xE "$senders"); then
		fail "$source opens CAN sockets and uses $(tr '\n' ' ' <<<"$found")"
	fi
	while read -r other; do
		if found=$(needs "$other" | grep -xE "$senders"); then
			fail "$source opens CAN sockets and calls into $other, which uses $(tr '\n' ' ' <<<"$found")"
		fi
	done < <(reached "$object")
	if found=$(offers "$object" | grep -vxE "$entries"); then
		fail "$source opens CAN sockets and may hand one out by $(tr '\n' ' ' <<<"$found"); see \"entries\" in $0"
	fi
	[ $bad != "$before" ] || echo "ok - no-transmit: $source opens sockets on a bus and uses nothing that could send"
}

for pair in "${pairs[@]}"; do
	source=${pair% *} object=${pair#* }
	looked=$((looked + 1))
	grep -qxE "NEEDED $object (__)?socket" "$work/symbols" || continue
	called=$(calls "$source")
	[ -n "$called" ] || fail "$source calls socket(), and its text does not show where"
	if found=$(grep -vxE "$known" <<<"$called"); then
		fail "$source calls socket() with $(tr '\n' ' ' <<<"$found")as family; write one by its name, as a constant: $known"
	fi
	grep -qxE '[AP]F_CAN' <<<"$called" || continue
	listeners=$((listeners + 1))
	listener "$source" "$object"
done

if [ $looked = 0 ] || [ $listeners = 0 ]; then
	fail "$looked objects, $listeners of them with CAN sockets: that cannot be right"
fi

# A program holds nothing but these objects, and gets nothing else from libraries. What the compiler's own start files bring is left out.
startup='_start|_init|_fini|_dl_relocate_static_pie|deregister_tm_clones|register_tm_clones|__do_global_dtors_aux|frame_dummy|call_weak_fn|call_gmon_start|data_start|\$[axtd].*'
nm --defined-only --format=posix "${all[@]}" | awk '$2 ~ /^[TtWi]$/ { print $1 }' | sort -u >"$work/functions"
for program in "$@"; do
	before=$bad
	nm --defined-only --format=posix "$program" | awk '$2 ~ /^[TtWi]$/ { print $1 }' | sort -u >"$work/held"
	[ -s "$work/held" ] || fail "$program has no symbols to look at"
	if found=$(comm -23 "$work/held" "$work/functions" | grep -vxE "$startup"); then
		fail "$program holds what none of the objects has: $(head -n 5 <<<"$found" | tr '\n' ' ')"
	fi
	if found=$(nm -D --undefined-only --format=posix "$program" | sed 's/@.*//; s/ .*//' | grep -xE "$never"); then
		fail "$program may not use $(tr '\n' ' ' <<<"$found")"
	fi
	[ $bad != "$before" ] || echo "ok - no-transmit: $program is made of these objects alone"
done
[ $bad = 0 ] && echo "ok - no-transmit: $looked objects have no second way to a bus"
exit $bad
