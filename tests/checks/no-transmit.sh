#!/usr/bin/env bash
# Proves that check-no-transmit can fail: small objects, each with one way to send on a bus.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
CC=${CC:-gcc}
status=0
can='#include <linux/can.h>
#include <linux/can/raw.h>
#include <stdio.h>
#include <sys/ioctl.h>
#include <sys/sendfile.h>
#include <sys/socket.h>
#include <sys/uio.h>
#include <unistd.h>
int s(void) { return socket(PF_CAN, SOCK_RAW, CAN_RAW); }'

# NAME, expected result (passes or fails), the word the message must hold, C text, [text of a header]
try() {
	local name=$1 want=$2 word=$3 text=$4 got=passes
	rm -rf "$work/src" "$work/obj"
	mkdir -p "$work/src" "$work/obj"
	printf '%s\n' "$text" >"$work/src/$name.c"
	[ -z "${5:-}" ] || printf '%s\n' "$5" >"$work/src/$name.h"
	"$CC" -O2 -w -c "$work/src/$name.c" -o "$work/obj/$name.o"
	scripts/check-no-transmit.sh "$work/src" "$work/obj" >"$work/out" 2>&1 || got=fails
	if [ "$got" = "$want" ] && grep -qF -- "$word" "$work/out"; then
		echo "ok - no-transmit: $name $want"
	else
		echo "not ok - no-transmit: $name $got, expected $want with \"$word\""
		status=1
	fi
}

try listens passes 'nothing that could send' "$can
int f(int fd, struct msghdr *m) { return recvmsg(fd, m, 0); }"
try write fails write "$can
int f(int fd, struct can_frame *c) { return write(fd, c, sizeof *c); }"
try writev fails writev "$can
int f(int fd, struct iovec *v) { return writev(fd, v, 1); }"
try pwrite fails pwrite "$can
int f(int fd, struct can_frame *c) { return pwrite(fd, c, sizeof *c, 0); }"
try send fails send "$can
int f(int fd, struct can_frame *c) { return send(fd, c, sizeof *c, 0); }"
try sendto fails sendto "$can
int f(int fd, struct can_frame *c) { return sendto(fd, c, sizeof *c, 0, 0, 0); }"
try sendmsg fails sendmsg "$can
int f(int fd, struct msghdr *m) { return sendmsg(fd, m, 0); }"
try sendfile fails sendfile "$can
int f(int a, int b) { return sendfile(a, b, 0, 16); }"
try dprintf fails dprintf "$can
int f(int fd) { return dprintf(fd, \"0123456789abcdef\"); }"
try fortified fails dprintf "$can
int __dprintf_chk(int, int, const char *, ...);
int f(int fd) { return __dprintf_chk(fd, 1, \"0123456789abcdef\"); }"
try fortified-write fails write "$can
long __write_chk(int, const void *, unsigned long, unsigned long);
long f(int fd, struct can_frame *c) { return __write_chk(fd, c, sizeof *c, sizeof *c); }"
try fdopen fails fdopen "$can
FILE *f(int fd) { return fdopen(fd, \"w\"); }"
try syscall fails syscall "$can
long f(int fd, struct can_frame *c) { return syscall(1, fd, c, sizeof *c); }"
try ioctl fails ioctl "$can
int f(int fd) { return ioctl(fd, 0x89f0, 0); }"
try library fails pcap_inject "$can
int pcap_inject(void *, void *, long);
int f(void *p, struct can_frame *c) { return pcap_inject(p, c, sizeof *c); }"
try packet fails 'packet socket' '#include <sys/socket.h>
int f(void) { return socket(PF_PACKET, SOCK_RAW, 0); }'
try hidden fails 'names the family' '#include "hidden.h"
int f(void) { return socket(FAMILY, 3, 1); }' '#include <sys/socket.h>
#define FAMILY AF_CAN'
# What has nothing to do with a bus may write; but a tree in which nobody listens was looked at in vain.
try nobody fails 'cannot be right' '#include <unistd.h>
int f(int fd) { return write(fd, "x", 1); }'
exit $status
