#!/usr/bin/env bash
# lint: static checks of the whole tree; each must be clean.
# usage: scripts/lint.sh [cppcheck|tidy|shell|tree|wrapped|format ...]
# shellcheck disable=SC2317 # checks are called by name
set -uo pipefail
cd "$(dirname "$0")/.." || exit 2
export LC_ALL=C.UTF-8
bad=0
ok() { echo "ok - lint: $1"; }
not_ok() {
	echo "not ok - lint: $1"
	bad=1
}
mapfile -t c_files < <(find src tests -name '*.c' | sort)
mapfile -t ch_files < <(find include src tests -name '*.[ch]' | sort)
mapfile -t shell_files < <(find scripts tests .ci -name '*.sh' -o -path 'tests/bus/*.bash' -o -path 'tests/bus/*.test' -o \
	-path 'tests/pi/*' -o -path '.ci/run' | sort)

# Off: readdir_r is deprecated, a parameter without a name is no other order, and the old check for
# uninitialised variables stumbles over designated initialisers (uninitvar stays on).
lint_cppcheck() {
	if cppcheck --quiet --error-exitcode=1 --inline-suppr --std=c11 --enable=warning,performance,portability \
		--suppress=missingIncludeSystem --suppress=readdirCalled --suppress=funcArgOrderDifferent \
		--suppress=legacyUninitvar --library=posix --library=gnu -j "$(nproc)" -D_GNU_SOURCE -DLULL_LIBRARY_TIME_BITS=64 -Iinclude -Isrc \
		"${c_files[@]}" 2>&1; then
		ok "cppcheck, ${#c_files[@]} files"
	else
		not_ok "cppcheck"
	fi
}

tidy_one() {
	local log
	# shellcheck disable=SC2046 # flags are words
	log=$(clang-tidy --quiet "$1" -- -std=c17 -D_GNU_SOURCE '-DLULL_VERSION="0"' -Iinclude -Isrc \
		$(pkg-config --cflags libnl-3.0) 2>&1) || {
		printf '%s\n' "$log"
		echo "not ok - lint: clang-tidy $1"
		return 1
	}
	echo "ok - lint: clang-tidy $1"
}
export -f tidy_one

lint_tidy() {
	[ ${#c_files[@]} -gt 0 ] || return 0
	printf '%s\n' "${c_files[@]}" | xargs -P "$(nproc)" -I FILE bash -c 'tidy_one FILE' || bad=1
}

lint_shell() {
	if shellcheck -x -S warning "${shell_files[@]}"; then
		ok "shellcheck, ${#shell_files[@]} files"
	else
		not_ok "shellcheck"
	fi
}

# What no tool knows: the licence line, lengths, and unfinished places.
lint_tree() {
	local f long="" bare="" open
	for f in "${ch_files[@]}"; do
		[ "$(wc -l <"$f")" -le 800 ] || long+=" $f"
		head -n 1 "$f" | grep -qxF '/* SPDX-License-Identifier: GPL-3.0-or-later */' || bare+=" $f"
	done
	if [ -z "$long" ]; then ok "no file is longer than 800 lines"; else not_ok "longer than 800 lines:$long"; fi
	if [ -z "$bare" ]; then ok "every C file opens with its licence"; else not_ok "no licence line:$bare"; fi
	open=$(grep -nwE 'TO''DO|FIX''ME' -- "${ch_files[@]}" "${shell_files[@]}" Makefile)
	if [ -z "$open" ]; then ok "no unfinished place is marked"; else not_ok "unfinished: $open"; fi
	open=$(grep -nE '[[:space:]]$' -- "${ch_files[@]}" "${shell_files[@]}" Makefile)
	if [ -z "$open" ]; then ok "no line ends in blanks"; else not_ok "blanks at the end of: $open"; fi
}

# Names that one header alone may use: what it says of them must hold for all.
lint_wrapped() {
	local found
	found=$(grep -nE '#include [<"](pcap/pcap\.h|pcap\.h|gpiod\.h)[>"]' -- "${ch_files[@]}" |
		grep -vE '^src/(source/libpcap|daemon/libgpiod)\.h:')
	if [ -z "$found" ]; then ok "libraries with times are included by their wrappers"; else not_ok "included without its wrapper: $found"; fi
}

lint_format() {
	if clang-format --dry-run -Werror "${ch_files[@]}"; then
		ok "clang-format"
	else
		not_ok "clang-format; \`make format\` puts it right"
	fi
}

[ $# -gt 0 ] || set -- tree wrapped shell cppcheck tidy
for part in "$@"; do
	declare -F "lint_$part" >/dev/null || {
		echo "lint.sh: no such check: $part" >&2
		exit 2
	}
	"lint_$part"
done
exit $bad
