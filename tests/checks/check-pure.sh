#!/usr/bin/env bash
# Proves that check-pure can fail: small objects, each with one thing that the core may not do.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
CC=${CC:-gcc}
status=0

# NAME, expected result (pure or not), the word the message must hold, C text
try() {
	local name=$1 want=$2 word=$3 text=$4 got=pure
	printf '%s\n' "$text" >"$work/$name.c"
	"$CC" -O2 -w -c "$work/$name.c" -o "$work/$name.o"
	scripts/check-pure.sh "$work/$name.o" >"$work/out" 2>&1 || got=impure
	if [ "$got" = "$want" ] && grep -qF -- "$word" "$work/out"; then
		echo "ok - check-pure calls $name $want"
	else
		echo "not ok - check-pure calls $name $got, expected $want with \"$word\""
		status=1
	fi
}

try printf impure puts '#include <stdio.h>
void f(int i) { printf("x\n"); }'
try fopen impure fopen '#include <stdio.h>
FILE *f(void) { return fopen("x", "r"); }'
try stderr impure stderr '#include <stdio.h>
void *f(void) { return stderr; }'
try clock impure clock_gettime '#include <time.h>
int f(struct timespec *t) { return clock_gettime(CLOCK_REALTIME, t); }'
try time impure time '#include <time.h>
long f(void) { return time(0); }'
try random impure rand '#include <stdlib.h>
int f(void) { return rand(); }'
try environment impure getenv '#include <stdlib.h>
char *f(void) { return getenv("HOME"); }'
try socket impure socket '#include <sys/socket.h>
int f(void) { return socket(1, 1, 0); }'
try thread impure pthread_create '#include <pthread.h>
int f(pthread_t *t, void *(*g)(void *)) { return pthread_create(t, 0, g, 0); }'
try other-layer impure lull_store_load 'int lull_store_load(void);
int f(void) { return lull_store_load(); }'
try counter impure state 'static int n;
int f(void) { return ++n; }'
try table-written impure state 'static int n[2] = {1, 2};
int f(int i) { return n[i & 1]++; }'
try arithmetic pure ok '#include <math.h>
#include <stdio.h>
#include <string.h>
#include <stdlib.h>
static const char *const names[] = {"a", "b"};
const char *f(char *b, double x, int i) { snprintf(b, 9, "%g", sqrt(x) + strtod(b, 0)); return names[i & 1]; }'
exit $status
