#!/usr/bin/env bash
# Lengths of time: whatever the manuals, the helps and the sample configuration show is taken, by the key or option beside it.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"
lulld=$(dirname "$lull")/lulld

# taken TEXT: an option reads it. The recording is absent, so that nothing else is said of it.
taken() {
	"$lull" report --limit-sleep "$1" absent.lull >out 2>err
	grep -q '^lull report: absent.lull' err
}
taken 900 && ok "a length that is right leads on to the recording" || not_ok "a length that is right leads on to the recording: $(cat err)"
taken 900x && not_ok "one that is wrong does not" || ok "one that is wrong does not"

for command in $("$lull" --help | sed -n '/^Commands:/,/^$/s/^  \([a-z]*\) .*/\1/p'); do "$lull" "$command" --help; done >helps
grep -hoP '(?<![\w.,-])\d+(?:[.,]\d+)? ?(?:ms|sec|s|min|m|h|d)(?: ?\d+(?:\.\d+)? ?(?:ms|s|min|m|h|d))*\b' \
	helps "$here"/src/man/* "$here/scripts/service/lull.conf" | sort -u >examples
[ "$(wc -l <examples)" -ge 15 ] && ok "there are examples" || not_ok "there are $(wc -l <examples) examples only"
while read -r example; do
	taken "$example" && ok "'$example' is taken" || not_ok "'$example' is refused: $(cat err)"
done <examples

# Each option of lengths with the examples beside it in its help: "  --ago TIME   so long ago: 90 (seconds), 5m, 1.5h".
option() { # COMMAND OPTION ARGUMENT...
	local command=$1 option=$2 example
	shift 2
	# The option's paragraph, its examples behind the colon; "(2 s)" at its end is what holds without it.
	"$lull" "$command" --help | awk -v o="$option" '$0 ~ o " TIME" {on = 1; print; next} /^ *(-[a-z], )?--/ || /^$/ {on = 0} on' |
		tr -s ' \n' ' ' | sed 's/^[^:]*://; s/(seconds)//; s/(minutes)//; s/(hours)//; s/(ms)//; s/([^)]*)//; s/,/\n/g' |
		sed 's/^ *//; s/ *$//; /^$/d' >of
	[ -s of ] && ok "$command $option shows how" || not_ok "$command $option shows no example"
	while read -r example; do
		"$lull" "$command" "$option" "$example" "$@" >out 2>err
		if grep -q "length of time\|is not between" err; then not_ok "$command $option '$example': $(head -1 err)"; else
			ok "$command $option '$example'"
		fi
		"$lull" "$command" "$option" "${example}x" "$@" >out 2>err
		is "$command $option '${example}x' ends with" $? 2
		has err "it is shown how" "$option '${example}x' is no length of time; write 90 s, 5 min, 1.5 h or 1h30m"
	done <of
}
option report --limit-sleep absent.lull
option report --flat-after absent.lull
option report --reserve absent.lull
option compare --limit-sleep absent.lull absent.lull
option link --listen --list x
option link --restart-ms --list x
option check --listen --key x
option check --night --key x
option simulate --hours no-such-night-at-all -o d
option mark --ago --socket "$PWD/none" door
run 2 "days or hours" report --flat-after 3 absent.lull
has err "have to be said" "the unit is required"
run 2 "longer ago than a day" mark --ago 25h door
has err "has bounds" "--ago '25h' is not between 0 s and 24 h"

# lull.conf(5): "(12 h; a number alone is minutes)" behind the key.
awk '/^\.B /{key = $2} match($0, /\([0-9.]+ (ms|s|min|h|d)[;)]/) {print key, substr($0, RSTART + 1, RLENGTH - 2)}' "$here/src/man/lull.conf.5" |
	tr -d '\\' >keys
is "lengths of lull.conf(5)" "$(cut -d' ' -f1 keys | xargs)" "batch rejoin longest"
while read -r key value; do
	printf '[recorder]\n%s = %s\n[bus a]\ninterface = can0\n' "$key" "$value" >lull.conf
	if "$lulld" --check-config -c lull.conf >out 2>&1; then ok "$key = $value"; else not_ok "$key = $value: $(cat out)"; fi
done <keys
sed 's/^#\(\[\|[a-z_A-Z-]* = \)/\1/' "$here/scripts/service/lull.conf" >lull.conf
is "no line of the sample configuration stays off" "$(grep -c '^#[a-z[]' lull.conf)" 0
if "$lulld" --check-config -c lull.conf >out 2>&1; then ok "the sample configuration with all lines on"; else
	not_ok "the sample configuration with all lines on: $(cat out)"
fi
printf '[recorder]\nrejoin = soon\n[bus a]\ninterface = can0\n' >lull.conf
"$lulld" --check-config -c lull.conf >out 2>&1
is "a wrong length in the configuration ends with" $? 2
has out "and it is shown how" "lull.conf:2: rejoin = 'soon' is no length of time; write 90 s, 5 min, 1.5 h or 1h30m, or a number of minutes"
exit $bad
