#!/usr/bin/env bash
# usage: help, version and wrong use, as GNU programs do them.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"

run 0 "lull --help" --help
has out "help begins with usage" "Usage: lull COMMAND"
is "help is silent on stderr" "$(cat err)" ""
run 0 "lull --version" --version
for library in SQLite libpcap jansson GSL zlib zstd; do has out "the version names $library" "$library"; done
for command in import report ids export fuse simulate link check mark; do
	run 0 "lull $command --help" "$command" --help
	has out "$command: usage" "Usage: lull $command"
	has out "$command: exit status is told" "Exit status:"
	is "$command: help fits 80 columns" "$(grep -E '.{81}' out)" ""
	run 2 "lull $command without anything" "$command"
	is "$command: nothing on stdout" "$(cat out)" ""
	has err "$command: points at its help" "Try 'lull $command --help' for more information."
	run 2 "lull $command with a wrong option" "$command" --no-such-option
	has err "$command: names the option" "lull $command: unrecognized option '--no-such-option'"
	has err "$command: points at its help" "Try 'lull $command --help'"
done
run 0 "lull status --help" status --help
is "status: help fits 80 columns" "$(grep -E '.{81}' out)" ""
run 2 "lull status without a recorder" status --socket "$PWD/none"
has err "says that none answers" "no recorder answers there"
run 2 "lull alone" --
run 2 "lull without a command"
has err "a command is missing" "a command is missing"
run 2 "a mistyped command" improt
has err "the near one is suggested" "did you mean 'import'?"
run 2 "a mistyped command" reports
has err "the near one is suggested" "did you mean 'report'?"
run 2 "a word that is near to nothing" frobnicate
hasnt err "nothing is suggested" "did you mean"
run 2 "a name with an escape" $'\033[2J'
hasnt err "it does not reach the terminal" $'\033'

run 2 "import without output" import --can x.log
has err "says what is missing" "-o NIGHT.lull"
run 2 "import of an absent file" import --can absent.log -o n.lull
has err "names the file" "absent.log"
run 2 "import with a stray word" import x.log -o n.lull
has err "shows how a capture is given" "--can x.log"
run 2 "a wrong bit rate" import --can x.log -b can0=fast -o n.lull
has err "shows right ones" "500k"
run 2 "a wrong column" import --can x.log --csv-columns when=t -o n.lull
has err "names the columns" "time, id, extended"
run 2 "report of an absent file" report absent.lull
has err "names the file" "absent.lull"
run 2 "a wrong format" report --format pdf n.lull
has err "names the formats" "text, json or html"
run 2 "a wrong limit" report --limit-ma nan n.lull
run 2 "a wrong limit" report --limit-sleep -5 n.lull
run 2 "report of what is no recording" report "$0"
run 2 "export of nothing" export n.lull
has err "asks what" "--coverage"
run 2 "a mistyped scenario" simulate no-such-night-at-all -o d
has err "points at the list" "--list"
run 0 "the list of scenarios" simulate --list
is "the list fits 80 columns" "$(grep -E '.{81}' out)" ""
"$lull" --help >/dev/full 2>err
is "a full disk is an error" $? 2
exit $bad
