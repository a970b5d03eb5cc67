#!/usr/bin/env bash
# service: the configuration that is shipped, the units, what install puts where and uninstall takes away.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"
# shellcheck disable=SC2154 # lull, here and work are those of lib.bash
lulld=$(dirname "$lull")/lulld

daemon() {
	local want=$1 name=$2 got=0
	shift 2
	"$lulld" "$@" >out 2>err || got=$?
	is "$name: ends with $want" "$got" "$want"
}
daemon 0 "lulld --help" --help
has out "its help begins with usage" "Usage: lulld"
is "its help fits 80 columns" "$(grep -E '.{81}' out)" ""
daemon 0 "lulld --version" --version
daemon 2 "a wrong option" --no-such-option
daemon 0 "the configuration that is shipped" --config "$here/scripts/service/lull.conf" --check-config
# Each key that it shows is one that is read, and what it says holds without it does.
sed 's/^#\([a-z_A-Z-]* = \)/\1/; s/^#\(\[\)/\1/; s/ *;.*$//' "$here/scripts/service/lull.conf" >whole.conf
daemon 0 "with all that it shows switched on" --config whole.conf --check-config
printf '[bus a]\ninterface = can0\nbitrte = 5\n' >wrong.conf
daemon 2 "an unknown key" --config wrong.conf --check-config
has err "is told with its line" "wrong.conf:3: 'bitrte' is no key"
daemon 2 "no configuration" --config absent.conf
has err "is told by name" "absent.conf"

b=$(dirname "$lull")
make -s -C "$here" B="$b" PREFIX=/usr DESTDIR="$work/root" install >/dev/null || not_ok "make install"
find root -type f | sort >installed
for file in usr/bin/lull usr/sbin/lulld usr/lib/systemd/system/lulld.service usr/lib/sysusers.d/lull.conf etc/lull/lull.conf; do
	has installed "install puts $file there" "root/$file"
done
is "no placeholder is left in the units" "$(grep -l '@[a-z]*dir@' root/usr/lib/systemd/system/*)" ""
view=root/usr/lib/systemd/system/lull-view.service
is "the page runs as a user of its own" "$(sed -n 's/^User=//p' $view)" lull-view
is "that owns no folder of recordings" "$(grep -cE '^(StateDirectory|ReadWritePaths)=' $view)" 0
has root/usr/lib/sysusers.d/lull.conf "and is made beside the recorder's" 'u lull-view - '
has root/usr/lib/sysusers.d/lull.conf "as a member of the group that may read recordings" 'm lull-view lull'
echo mine >root/etc/lull/lull.conf
make -s -C "$here" B="$b" PREFIX=/usr DESTDIR="$work/root" install >/dev/null || not_ok "make install again"
is "a configuration that is there stays" "$(cat root/etc/lull/lull.conf)" mine

if command -v systemd-analyze >/dev/null; then
	for unit in lulld lull-view; do
		cp root/usr/lib/systemd/system/$unit.service .
		systemd-analyze security --offline=true --threshold=30 "$work/$unit.service" >score 2>&1
		status=$?
		line=$(grep -o 'Overall exposure level.*' score | tr -cd '[:print:]')
		if [ $status = 0 ]; then ok "systemd-analyze security: $line"; else not_ok "systemd-analyze security: $line"; fi
	done
	# What it says of commands that are not installed here is no fault of the unit.
	faults=$(systemd-analyze verify "$work/lulld.service" 2>&1 | grep -vE 'is not executable|man lulld|man lull' | grep lulld)
	is "systemd-analyze verify has nothing to say" "$faults" ""
else
	ok "systemd-analyze # SKIP not installed"
fi

make -s -C "$here" B="$b" PREFIX=/usr DESTDIR="$work/root" uninstall || not_ok "make uninstall"
is "uninstall leaves the configuration alone" "$(find root -type f)" root/etc/lull/lull.conf
exit $bad
