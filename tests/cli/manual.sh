#!/usr/bin/env bash
# Manual pages, help topics, completion: all there, all in step with the program.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

if command -v help2man >/dev/null && command -v mandoc >/dev/null; then
	if B=$(dirname "$lull") "$here/scripts/man.sh" "$work/man" >out 2>&1; then ok "the pages are made"; else
		not_ok "the pages are made"
		cat out
	fi
	for page in man/*.[158]; do
		mandoc -T lint -W warning "$page" >lint 2>&1
		if [ -s lint ]; then
			not_ok "$page is clean"
			head lint
		else
			ok "$page is clean"
		fi
	done
	for command in $("$lull" --help | sed -n '/^Commands:/,/^$/s/^  \([a-z]*\) .*/\1/p'); do
		[ "$command" = help ] && continue
		[ -f "man/lull-$command.1" ] && ok "a page for $command" || not_ok "a page for $command"
		for option in $("$lull" "$command" --help | sed -n 's/^ *\(-[a-zA-Z], \)\{0,1\}\(--[a-z-]*\).*/\2/p'); do
			grep -qF -- "${option//-/\\-}" "man/lull-$command.1" || not_ok "$option stands in lull-$command(1)"
		done
	done
	# every key that the readers know
	for key in $(sed -n 's/^\t{SECTION_[A-Z]*, "\([a-z_A-Z]*\)".*/\1/p' "$here/src/source/profile_keys.c"); do
		grep -q "$key" man/lull-profile.5 || not_ok "$key stands in lull-profile(5)"
	done
	for key in $(sed -n 's/^\t{[A-Z]*, "\([a-zA-Z-]*\)".*/\1/p' "$here/src/source/config.c"); do
		grep -q -- "${key//-/\\\\-}" man/lull.conf.5 || not_ok "$key stands in lull.conf(5)"
	done
	for table in $(sed -n 's/.*CREATE TABLE \([a-z_]*\) .*/\1/p' "$here/src/store/schema.c"); do
		grep -q "^.SS $table$" man/lull-recording.5 || not_ok "$table stands in lull-recording(5)"
	done
	ok "keys, options and tables were looked for"
else
	echo "ok - manual pages # SKIP help2man or mandoc is not installed"
fi

run 0 "help" help
has out "topics" "at the car, from hanging the clamp"
for topic in $("$lull" help | sed -n '/^Topics:/,/^$/s/^  \([a-z]*\) .*/\1/p'); do
	run 0 "help $topic" help "$topic"
	is "$topic within 80 columns" "$(awk 'length > 80' out | wc -l)" 0
done
run 0 "the help of a command" help import
has out "is that command's own" "Usage: lull import"
run 2 "no such topic" help clmap
has err "the nearest word" "did you mean 'clamp'"
run 2 "two topics" help car clamp

complete_as() { # WORD...: what bash offers for the last one
	COMP_WORDS=("$@") COMP_CWORD=$(($# - 1))
	_lull
	printf '%s\n' "${COMPREPLY[@]}"
}
# shellcheck source=scripts/lull.bash-completion
. "$here/scripts/lull.bash-completion"
is "completes a command" "$(complete_as "$lull" rep)" report
is "completes an option" "$(complete_as "$lull" report --base)" --baseline
is "completes a topic" "$(complete_as "$lull" help lim)" limits
exit $bad
