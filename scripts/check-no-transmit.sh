#!/usr/bin/env bash
# check-no-transmit: fails if an object file that opens CAN sockets could send on them, or if any could reach a bus in another way.
# usage: scripts/check-no-transmit.sh SOURCES OBJECTS   two folders of the same shape: SOURCES/a/b.c is OBJECTS/a/b.o
# What it looks at are the symbols that an object needs from elsewhere; they must come from a build without sanitizers.
set -euo pipefail
[ $# = 2 ] && [ -d "$1" ] && [ -d "$2" ] || {
	echo "not ok - no-transmit: usage: check-no-transmit.sh SOURCES OBJECTS"
	exit 1
}
sources=${1%/} objects=${2%/}

# Where a CAN socket is opened, nothing may be used that writes to a descriptor, in whatever way.
senders='write|writev|pwrite(64)?|pwritev2?(64)?(v2)?|send|sendto|sendmsg|sendmmsg|sendfile(64)?|splice|vmsplice|tee|copy_file_range
|dprintf|vdprintf|fdopen|aio_write(64)?|lio_listio(64)?|io_uring_[a-z_]+|syscall|ioctl|dlsym|dlopen|popen|system|exec[lv]p?e?
|nl_send[a-z_]*|sd_[a-z_]+'
# Nowhere at all: a second way to a bus, around the sockets that are looked at here.
never='pcap_(sendpacket|inject|open_live|create|activate)|sendmmsg|vmsplice|io_uring_[a-z_]+'
senders=$(tr -d '\n' <<<"$senders")

# Which sources open such a socket: they name its family and call socket(). Headers may not name it, so that none is hidden.
family='\<([AP]F_CAN|[AP]F_PACKET|ETH_P_CAN|ETH_P_CANFD)\>'
bad=0 looked=0 listeners=0
# A fortified call (__NAME_chk) is the call that it stands for.
needs() { nm -u --format=posix "$1" | sed 's/@.*//; s/ .*//; s/^__\(.*\)_chk$/\1/'; }

while read -r header; do
	if grep -qE "$family" "$header"; then
		echo "not ok - no-transmit: $header names the family of CAN sockets; only the file that opens one may"
		bad=1
	fi
done < <(find "$sources" -name '*.h' | sort)

while read -r source; do
	object=$objects/${source#"$sources"/}
	object=${object%.c}.o
	[ -f "$object" ] || {
		echo "not ok - no-transmit: $source has no object $object"
		bad=1
		continue
	}
	looked=$((looked + 1))
	if found=$(needs "$object" | grep -xE "$never"); then
		echo "not ok - no-transmit: $source may not use $(tr '\n' ' ' <<<"$found")"
		bad=1
	fi
	grep -qE "$family" "$source" && needs "$object" | grep -qxE 'socket|__socket' || continue
	listeners=$((listeners + 1))
	if found=$(needs "$object" | grep -xE "$senders"); then
		echo "not ok - no-transmit: $source opens CAN sockets and uses $(tr '\n' ' ' <<<"$found")"
		bad=1
	elif grep -qE '\<[AP]F_PACKET\>' "$source"; then
		echo "not ok - no-transmit: $source opens a packet socket"
		bad=1
	else
		echo "ok - no-transmit: $source opens sockets on a bus and uses nothing that could send"
	fi
done < <(find "$sources" -name '*.c' | sort)

if [ $looked = 0 ] || [ $listeners = 0 ]; then
	echo "not ok - no-transmit: $looked objects, $listeners of them with CAN sockets: that cannot be right"
	bad=1
fi
[ $bad = 0 ] && echo "ok - no-transmit: $looked objects have no second way to a bus"
exit $bad
