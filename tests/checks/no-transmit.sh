#!/usr/bin/env bash
# Proves that check-no-transmit can fail: small objects, each with one way to send on a bus.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
CC=${CC:-gcc}
status=0
# Opens a socket on a bus; what a case adds is the one function that such a file may offer.
can='#include <linux/can.h>
#include <linux/can/raw.h>
#include <stdio.h>
#include <sys/ioctl.h>
#include <sys/sendfile.h>
#include <sys/socket.h>
#include <sys/uio.h>
#include <unistd.h>
__attribute__((used)) static int s(void) { return socket(PF_CAN, SOCK_RAW, CAN_RAW); }'
# A listener, for cases whose fault is in another file.
listens="$can
int lull_listen(int fd, struct msghdr *m) { return recvmsg(fd, m, 0); }"

begin() {
	rm -rf "$work/src" "$work/obj"
	mkdir -p "$work/src" "$work/obj"
}
# add NAME TEXT: a source, compiled; or a header
add() {
	printf '%s\n' "$2" >"$work/src/$1"
	[[ $1 == *.h ]] || "$CC" -O2 -w -c "$work/src/$1" -o "$work/obj/${1%.c}.o"
}
# look NAME EXPECTED WORD [PROGRAM]: passes or fails, with that word in what is said
look() {
	local name=$1 want=$2 word=$3 got=passes
	shift 3
	scripts/check-no-transmit.sh "$work/src" "$work/obj" "$@" >"$work/out" 2>&1 || got=fails
	if [ "$got" = "$want" ] && grep -qF -- "$word" "$work/out"; then
		echo "ok - no-transmit: $name $want"
	else
		echo "not ok - no-transmit: $name $got, expected $want with \"$word\""
		sed 's/^/    /' "$work/out"
		status=1
	fi
}
# NAME, expected result, the word the message must hold, C text, [text of a header]
try() {
	begin
	[ -z "${5:-}" ] || add "$1.h" "$5"
	add "$1.c" "$4"
	look "$1" "$2" "$3"
}
# The same, of a file beside a listener.
beside() {
	begin
	[ -z "${5:-}" ] || add "$1.h" "$5"
	add listens.c "$listens"
	add "$1.c" "$4"
	look "$1" "$2" "$3"
}

try listens passes 'nothing that could send' "$listens"
try write fails write "$can
int lull_listen(int fd, struct can_frame *c) { return write(fd, c, sizeof *c); }"
try writev fails writev "$can
int lull_listen(int fd, struct iovec *v) { return writev(fd, v, 1); }"
try pwrite fails pwrite "$can
int lull_listen(int fd, struct can_frame *c) { return pwrite(fd, c, sizeof *c, 0); }"
try send fails send "$can
int lull_listen(int fd, struct can_frame *c) { return send(fd, c, sizeof *c, 0); }"
try sendto fails sendto "$can
int lull_listen(int fd, struct can_frame *c) { return sendto(fd, c, sizeof *c, 0, 0, 0); }"
try sendmsg fails sendmsg "$can
int lull_listen(int fd, struct msghdr *m) { return sendmsg(fd, m, 0); }"
try sendfile fails sendfile "$can
int lull_listen(int a, int b) { return sendfile(a, b, 0, 16); }"
try dprintf fails dprintf "$can
int lull_listen(int fd) { return dprintf(fd, \"0123456789abcdef\"); }"
try fortified fails dprintf "$can
int __dprintf_chk(int, int, const char *, ...);
int lull_listen(int fd) { return __dprintf_chk(fd, 1, \"0123456789abcdef\"); }"
try fortified-write fails write "$can
long __write_chk(int, const void *, unsigned long, unsigned long);
long lull_listen(int fd, struct can_frame *c) { return __write_chk(fd, c, sizeof *c, sizeof *c); }"
try fdopen fails fdopen "$can
FILE *lull_listen(int fd) { return fdopen(fd, \"w\"); }"
try syscall fails syscall "$can
long lull_listen(int fd, struct can_frame *c) { return syscall(1, fd, c, sizeof *c); }"
try ioctl fails ioctl "$can
int lull_listen(int fd) { return ioctl(fd, 0x89f0, 0); }"
try library fails pcap_inject "$can
int pcap_inject(void *, void *, long);
int lull_listen(void *p, struct can_frame *c) { return pcap_inject(p, c, sizeof *c); }"
try packet fails 'PF_PACKET as family' '#include <sys/socket.h>
int f(void) { return socket(PF_PACKET, SOCK_RAW, 0); }'
try hidden fails 'names the family' '#include "hidden.h"
int f(void) { return socket(FAMILY, 3, 1); }' '#include <sys/socket.h>
#define FAMILY AF_CAN'
# What has nothing to do with a bus may write; but a tree in which nobody listens was looked at in vain.
try nobody fails 'cannot be right' '#include <unistd.h>
int f(int fd) { return write(fd, "x", 1); }'

# The family of a socket: one of the known ones, by its name, as a constant.
use='#include <sys/socket.h>
#include <unistd.h>
'
beside others passes 'no second way' "$use
#include \"others.h\"
int f(void) { return socket(AF_UNIX, SOCK_STREAM, 0) + socket( /* a comment, with socket(29, */
	AF_NETLINK, SOCK_RAW, 0); }
const char *g(void) { return \"socket(29, 3, 1)\"; }
int h(struct o *o, struct o p) { return o->socket + p.socket + write(1, \"x\", 1); }" 'struct o { int socket; };'
beside number fails '29 as family' "$use
int f(void) { return socket(29, SOCK_RAW, 1); }"
beside number_in_lines fails '29 as family' "$use
int f(void) { return socket /* AF_UNIX, */ (
	29
	, SOCK_RAW, 1); }"
beside hexadecimal fails '0x1d as family' "$use
int f(void) { return socket(0x1d, SOCK_RAW, 1); }"
beside sum fails 'as family' "$use
int f(void) { return socket(AF_UNIX + 28, SOCK_RAW, 1); }"
beside cast fails 'as family' "$use
int f(int n) { return socket((int)n, SOCK_RAW, 1); }"
beside variable fails 'family as family' "$use
int f(int family) { return socket(family, SOCK_RAW, 1); }"
beside choice fails 'as family' "$use
int f(int can) { return socket(can ? 29 : AF_UNIX, SOCK_RAW, 1); }"
beside macro fails 'FAMILY as family' "$use
#define FAMILY 29
int f(void) { return socket(FAMILY, SOCK_RAW, 1); }"
beside meaning fails 'another meaning' "$use
#undef AF_UNIX
#define AF_UNIX 29
int f(void) { return socket(AF_UNIX, SOCK_RAW, 1); }"
beside pointer fails '? as family' "$use
int (*f)(int, int, int) = socket;"
beside other_name fails 'does not show where' "$use
#define JOIN(a, b) a##b
int f(void) { return JOIN(sock, et)(29, SOCK_RAW, 1); }"
beside assembler_name fails 'does not show where' "$use
int made(int, int, int) __asm__(\"sock\" \"et\");
int f(void) { return made(29, SOCK_RAW, 1); }"
# Calls that no symbol shows.
beside by_number fails syscall "$use
long f(void) { return syscall(41, 29, 3, 1); }"
beside by_lookup fails dlsym "$use
void *dlsym(void *, const char *);
void *f(void) { return dlsym(0, \"socket\"); }"
beside by_program fails execl "$use
int f(void) { return execl(\"/bin/x\", \"x\", (char *)0); }"
case $(uname -m) in
x86_64) trap_by='syscall' ;;
*) trap_by='svc 0' ;;
esac
beside by_instruction fails 'makes a system call by itself' "$use
void f(void) { __asm__ volatile(\"$trap_by\"); }"

# A descriptor that is handed to somebody who writes: by a call, by what is returned, by a variable.
begin
add handed_in.c "$can
int put_frame(int, const void *);
int lull_listen(void) { return put_frame(s(), \"0123456789abcdef\"); }"
add between.c 'int put(int, const void *);
int put_frame(int fd, const void *p) { return put(fd, p); }'
add writer.c '#include <unistd.h>
int put(int fd, const void *p) { return write(fd, p, 16); }'
look 'handed on by calls' fails 'writer.o, which uses write'
begin
add handed_out.c "$can
int open_bus(void) { return s(); }"
add writer.c '#include <unistd.h>
int open_bus(void);
int f(void) { return write(open_bus(), "0123456789abcdef", 16); }'
look 'handed out by a function' fails 'may hand one out by open_bus'
begin
add shared.c "$can
int bus_fd;
void lull_listen(void) { bus_fd = s(); }"
add writer.c '#include <unistd.h>
extern int bus_fd;
int f(void) { return write(bus_fd, "0123456789abcdef", 16); }'
look 'handed out by a variable' fails 'may hand one out by bus_fd'

# Whole programs.
begin
add listens.c "$listens"
add main.c 'int main(void) { return 0; }'
"$CC" "$work/obj/listens.o" "$work/obj/main.o" -o "$work/program"
look 'a program of these objects' passes 'made of these objects alone' "$work/program"
printf '#include <unistd.h>\nint slipped_in(int fd) { return write(fd, "0123456789abcdef", 16); }\n' >"$work/slipped.c"
"$CC" -c "$work/slipped.c" -o "$work/slipped.o"
"$CC" "$work/obj/listens.o" "$work/obj/main.o" "$work/slipped.o" -o "$work/program"
look 'a program with one object more' fails 'holds what none of the objects has: slipped_in' "$work/program"
printf '#include <unistd.h>\nint main(void) { return (int)syscall(41, 29, 3, 1); }\n' >"$work/slipped.c"
"$CC" "$work/slipped.c" "$work/obj/listens.o" -o "$work/program"
look 'a program with another main' fails 'may not use syscall' "$work/program"
strip "$work/program"
look 'a program without symbols' fails 'no symbols to look at' "$work/program"
exit $status
