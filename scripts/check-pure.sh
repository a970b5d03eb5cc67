#!/usr/bin/env bash
# check-pure: fails if objects of the core need a symbol outside a short list, or keep state of their own.
# usage: scripts/check-pure.sh OBJECT...
# The objects are joined first, so that what the core defines itself is no question; they must come from a build
# without sanitizers.
set -euo pipefail
[ $# -gt 0 ] || {
	echo "not ok - check-pure: no objects of the core"
	exit 1
}

allowed='
memcpy memmove memset memcmp memchr mempcpy malloc calloc realloc reallocarray aligned_alloc free
strlen strnlen strcmp strncmp strcasecmp strncasecmp strchr strrchr strchrnul strstr strpbrk strspn strcspn
strcpy strncpy stpcpy strdup strndup strtok_r
snprintf vsnprintf strtod strtof strtol strtoul strtoll strtoull
qsort qsort_r bsearch abs labs llabs
tolower toupper isalnum isalpha isdigit isspace isxdigit __ctype_b_loc __ctype_tolower_loc __ctype_toupper_loc
fabs floor ceil trunc round lround llround rint lrint llrint nearbyint fmod remainder fmin fmax hypot
sincos sqrt cbrt exp exp2 expm1 log log2 log10 log1p pow erf erfc lgamma tgamma sin cos tan asin acos atan atan2 sinh cosh
tanh ldexp frexp modf copysign scalbn fma
__errno_location __assert_fail __stack_chk_fail __stack_chk_guard _GLOBAL_OFFSET_TABLE_
'
# Besides: GSL, the fortified and the renamed forms of the same functions, and the compiler's own arithmetic.
patterns='gsl_[A-Za-z0-9_]+|__(mem|str|stp|snprintf|vsnprintf)[a-z]*_chk|__isoc(99|23)_strto[a-z]+|__(u?div|u?mod|mul|float|fix|ash|lsh)[a-z0-9]*'

whole=$(mktemp --suffix=.o)
trap 'rm -f "$whole"' EXIT
ld -r -o "$whole" "$@"
bad=0

while read -r symbol; do
	if ! grep -qwF -- "$symbol" <<<"$allowed" && ! grep -qxE -- "$patterns" <<<"$symbol"; then
		echo "not ok - check-pure: the core must not use $symbol: $(nm -uA "$@" 2>/dev/null |
			awk -v s="$symbol" '$NF == s { sub(/:.*/, "", $1); print $1 }' | sort -u | tr '\n' ' ')"
		bad=1
	fi
done < <(nm -u --format=posix "$whole" | awk '{ print $1 }' | sed 's/@.*//')

# Writable data is state: constants live in .rodata and .data.rel.ro.
while read -r object section bytes; do
	echo "not ok - check-pure: $object keeps $bytes bytes of state in $section"
	bad=1
done < <(for o in "$@"; do
	size -A "$o" | awk -v o="$o" '$1 ~ /^\.(data|bss|tdata|tbss)/ && $1 !~ /^\.data\.rel\.ro/ && $2 > 0 { print o, $1, $2 }'
	nm "$o" | awk -v o="$o" '$2 == "C" { print o, "common", "some" }'
done)

[ $bad = 0 ] && echo "ok - check-pure: $# objects use memory, strings and mathematics only"
exit $bad
