#!/usr/bin/env bash
# lull status --follow on a terminal: tmux shows it in several sizes and locales, while it is resized, with and without colour.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"
command -v tmux >/dev/null && command -v python3 >/dev/null || {
	echo "ok - the terminal view # SKIP tmux or python3 is not installed"
	exit 0
}
night n.log
run 0 "a night" import --can n.log -k 30 -o n.lull
cat >play.py <<END
import sys, time
sys.path.insert(0, "$here/tests/browser")
from recorder import Recorder
r = Recorder("control", "$work/n.lull")
r.start()
while True:
    time.sleep(0.2)
    with r.lock:
        try:
            exec(open("todo").read())
        except FileNotFoundError:
            pass
        open("marks", "w").write("\n".join(r.marks))
END
python3 play.py >play.log 2>&1 &
player=$!
t() { tmux -L "lull$$" -f /dev/null "$@"; }
trap 't kill-server 2>/dev/null; kill $player 2>/dev/null; rm -rf "$work"' EXIT
for _ in $(seq 50); do [ -S control ] && break || sleep 0.1; done

# wait_for TEXT: the screen shows it within 15 s
wait_for() {
	for _ in $(seq 75); do
		t capture-pane -p >screen
		grep -qF -- "$1" screen && return 0
		sleep 0.2
	done
	return 1
}
shows() { # NAME TEXT
	if wait_for "$2"; then ok "$1"; else
		not_ok "$1: '$2' is not on the screen"
		cat screen
	fi
}
begin() { # COLUMNS ROWS LOCALE VARIABLE...
	local columns=$1 rows=$2 locale=$3
	shift 3
	t new-session -d -x "$columns" -y "$rows" "env LC_ALL=$locale $* '$lull' status --follow --socket control; echo ended \$?; sleep 60"
}

begin 80 24 C.UTF-8
shows "80x24: awake" "######## awake"
shows "who sends first" "still sending"
shows "the current" "812 mA"
shows "the finding so far" "so far"
shows "keys at the bottom" "q quit"
is "it fits 24 rows, keys last" "$(sed -n 24p screen | grep -c 'q quit')" 1
echo 'r.bus.update(state="quiet", since_s=105.0, talking=[]); r.mA = 21.5' >todo
shows "quiet, by shape and word" "........ quiet"
shows "the current follows" "21.5 mA"
shows "the strip in blocks" "█"
echo 'r.bus.update(state="blind", why=["adapter gone"]); r.lost = "gone"' >todo
shows "blind, and why" "//////// blind"
shows "the reason in words" "the adapter was gone"
shows "the clamp is lost" "the clamp is lost"
t resize-window -x 200 -y 50
sleep 1.5
shows "200x50" "the adapter was gone"
is "keys at the bottom of it" "$(t capture-pane -p | sed -n 50p | grep -c 'q quit')" 1
t resize-window -x 40 -y 10
sleep 1.5
shows "40x10: what matters is still there" "//////// blind"
t resize-window -x 80 -y 24
t send-keys m
shows "a mark is asked for twice" "m once more"
is "and not set at once" "$(cat marks)" ""
t send-keys m
shows "then it is set" "mark set: morning"
sleep 0.5
is "the recorder has it" "$(cat marks)" "-0 morning"
kill $player
shows "no news is told" "what is shown is old"
python3 play.py >play.log 2>&1 &
player=$!
sleep 6
t capture-pane -p >screen
hasnt screen "and it comes back" "what is shown is old"
t send-keys q
shows "q ends it" "ended 0"
t kill-server

echo 'r.bus.update(state="awake", why=[]); r.lost = None; r.mA = 700.0 + r.now' >todo
begin 80 24 C NO_COLOR=1
shows "C locale, no colour" "######## awake"
shows "the strip in digits" "1"
t capture-pane -p -e >screen
is "no colour is set" "$(grep -c $'\e\\[[0-9;]*3[0-7]' screen)" 0
is "ASCII only" "$(LC_ALL=C grep -c '[^ -~]' <(t capture-pane -p))" 0
t send-keys C-c
shows "Ctrl-C ends it" "ended 0"
exit $bad
