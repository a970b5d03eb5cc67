#!/usr/bin/env bash
# Proves that build-flags tells the width of a library's time_t from the library, and that a file compiled with another width fails.
# No 32-bit compiler is needed: one that is made up knows time_t as a narrow one and names libraries that were built here for this.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
CC=${CC:-gcc}
status=0
ok() { echo "ok - library-time: $1"; }
not_ok() {
	echo "not ok - library-time: $1"
	status=1
}
is() { if [ "$2" = "$3" ]; then ok "$1"; else not_ok "$1: '$2' is not '$3'"; fi; }

# library NAME FUNCTION...: a shared library that calls these.
library() {
	local name=$1 f
	shift
	for f in "$@"; do printf 'extern int %s();\nint use_%s(void) { return %s(); }\n' "$f" "$f" "$f"; done |
		"$CC" -w -x c -shared -fPIC -nostdlib -o "$work/$name.so" -
}
# A compiler whose time_t is wide with _TIME_BITS=64 only, as glibc's on armhf.
cat >"$work/narrow-cc" <<END
#!/bin/sh
for option; do
	case \$option in
	-print-file-name=*) echo "$work/\${option#*=}"; exit ;;
	-D_TIME_BITS=64) wide=1 ;;
	-U_TIME_BITS) wide= ;;
	esac
done
# The text is always read: whoever writes it must not meet a closed pipe.
text=\$(cat)
[ -n "\$wide" ] || case \$text in *time_t*) exit 1 ;; esac
END
chmod +x "$work/narrow-cc"
flags() { scripts/build-flags.sh "$1" "$work/narrow-cc" 2>&1 || echo "status $?"; }

# Debian 12's libpcap on armhf needs the first set, one with times of 64 bits the second.
library libnarrow ioctl setsockopt gettimeofday
library libwide __ioctl_time64 __setsockopt64 __gettimeofday64
# Large files alone do not make times wide.
library libfiles fopen64 lseek64 ioctl
library libneither strlen
is "lull itself has wide times" "$(flags time)" "-D_FILE_OFFSET_BITS=64 -D_TIME_BITS=64"
is "a library with narrow times" "$(flags time-of-libnarrow)" "-U_TIME_BITS -DLULL_LIBRARY_TIME_BITS=32"
is "a library with wide times" "$(flags time-of-libwide | grep -o '[-D]*LULL.*')" "-DLULL_LIBRARY_TIME_BITS=64"
is "a library with large files and narrow times" "$(flags time-of-libfiles)" "-U_TIME_BITS -DLULL_LIBRARY_TIME_BITS=32"
is "a library that does not tell" "$(flags time-of-libneither | tail -n 1)" "status 1"
is "a library that is not there" "$(flags time-of-libabsent | tail -n 1)" "status 1"
[ "$(getconf LONG_BIT)" != 64 ] || is "a 64-bit compiler" "$(scripts/build-flags.sh time-of-libpcap "$CC")" "-DLULL_LIBRARY_TIME_BITS=64"

# The assertion, with the width told wrong.
printf '#include <source/libpcap.h>\n' >"$work/file.c"
compiles() { "$CC" -D_GNU_SOURCE -Iinclude -Isrc "$@" -c "$work/file.c" -o "$work/file.o" >"$work/out" 2>&1; }
if compiles -DLULL_LIBRARY_TIME_BITS=64; then ok "a file with the library's width compiles"; else not_ok "a file with the library's width compiles"; fi
if ! compiles -DLULL_LIBRARY_TIME_BITS=32 && grep -q 'not as wide as in the library' "$work/out"; then
	ok "a file with another width does not"
else
	not_ok "a file with another width does not"
fi
exit $status
