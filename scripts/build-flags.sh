#!/usr/bin/env bash
# build-flags: what the Makefile gives the compiler besides its own options, learned from this compiler and its libraries.
# usage: scripts/build-flags.sh compile|link|time|time-of-LIBRARY COMPILER [OPTION...]
#   compile, link    hardening: what dpkg-buildflags says, and what its later versions add; a part that the compiler lacks is left out
#   time             64-bit times and file sizes where time_t has 32 bits, else nothing
#   time-of-LIBRARY  the width of time_t that a shared library (libNAME) was built with, for the files that share structures with it
set -euo pipefail
export LC_ALL=C
what=${1:?} && shift
[ $# -gt 0 ] || {
	echo "build-flags: no compiler is named" >&2
	exit 2
}
cc=("$@")

compiles() { printf '%s\n' "$1" | "${cc[@]}" "${@:2}" -x c -S -o /dev/null - >/dev/null 2>&1; }
# Options of Debian's own builds, without those that the Makefile (OPT) or the folder decides.
debian() {
	DEB_BUILD_MAINT_OPTIONS=hardening=+all dpkg-buildflags --get "$1" 2>/dev/null | tr ' ' '\n' |
		grep -vxE -- '-g|-O.|-ffile-prefix-map=.*|-fdebug-prefix-map=.*|-specs=.*|-D_TIME_BITS=.*|-D_FILE_OFFSET_BITS=.*|-D_LARGEFILE_SOURCE|'
}

compile() {
	local flag kept=()
	while read -r flag; do
		[[ " ${kept[*]} " != *" $flag "* ]] || continue
		! compiles 'int x;' -Werror "${kept[@]}" "$flag" || kept+=("$flag")
	done < <(
		debian CFLAGS || printf '%s\n' -fstack-protector-strong -Wformat
		debian CPPFLAGS || echo -D_FORTIFY_SOURCE=2
		printf '%s\n' -fstack-clash-protection -Werror=format-security -fPIE
		case $("${cc[@]}" -dumpmachine) in
		x86_64-*) echo -fcf-protection ;;
		aarch64-*) echo -mbranch-protection=standard ;;
		esac
	)
	echo "${kept[*]}"
}

link() {
	local flag kept=()
	while read -r flag; do
		[[ " ${kept[*]} " = *" $flag "* ]] || kept+=("$flag")
	done < <(
		debian LDFLAGS || :
		printf '%s\n' -Wl,-z,relro -Wl,-z,now -pie
	)
	echo "${kept[*]}"
}

# Is time_t wide under these options?
wide() {
	compiles '#include <time.h>
_Static_assert(sizeof(time_t) == 8, "");' "$@"
}

time_flags() {
	local flags=(-D_FILE_OFFSET_BITS=64 -D_TIME_BITS=64)
	wide || ! wide "${flags[@]}" || echo "${flags[*]}"
}

# On a 32-bit machine glibc has each call that carries a time twice: the library's own choice stands in the symbols that it needs.
time_of() {
	local library needs narrow_calls='ioctl|setsockopt|getsockopt|gettimeofday|clock_gettime|time|select|ppoll|localtime_r'
	local wide_calls='__(ioctl_time64|setsockopt64|getsockopt64|gettimeofday64|clock_gettime64|time64|select64|ppoll64|localtime64_r)'
	# Where no option makes time_t narrow there is one width only.
	! wide -U_TIME_BITS || {
		echo "-DLULL_LIBRARY_TIME_BITS=64"
		return
	}
	library=$("${cc[@]}" -print-file-name="$1.so")
	needs=$(readelf -W --dyn-syms "$library" 2>/dev/null | awk '$7 == "UND" { sub(/@.*/, "", $8); print $8 }') || needs=
	if grep -qxE "$wide_calls" <<<"$needs"; then
		echo "-U_FILE_OFFSET_BITS -U_TIME_BITS -D_FILE_OFFSET_BITS=64 -D_TIME_BITS=64 -DLULL_LIBRARY_TIME_BITS=64"
	elif grep -qxE "$narrow_calls" <<<"$needs"; then
		echo "-U_TIME_BITS -DLULL_LIBRARY_TIME_BITS=32"
	else
		echo "build-flags: $library does not tell the width of its time_t" >&2
		exit 1
	fi
}

case $what in
compile) compile ;;
link) link ;;
time) time_flags ;;
time-of-*) time_of "${what#time-of-}" ;;
*)
	echo "build-flags: no such question: $what" >&2
	exit 2
	;;
esac
