#!/usr/bin/env bash
# package: the Debian package of this machine's architecture: what it holds, what it depends on, what lintian says of it.
# shellcheck source=tests/cli/lib.bash
. "$(dirname "$0")/lib.bash"
# shellcheck disable=SC2154 # lull, here and work are those of lib.bash
b=$(dirname "$lull")
for tool in dpkg-buildpackage dh help2man lintian; do
	command -v "$tool" >/dev/null || {
		ok "package # SKIP $tool is not installed"
		exit 0
	}
done

version=$(sed -n 's/^VERSION := //p' "$here/Makefile")
is "Makefile and changelog name one version" "$(dpkg-parsechangelog -l "$here/scripts/debian/changelog" -S Version)" "$version"
is "the program was built as that version" "$("$lull" --version | head -n 1)" "lull $version"

before=$(ls -A "$here")
if make -s -C "$here" B="$b" deb-host >out 2>&1; then ok "make deb-host"; else not_ok "make deb-host: $(tail -n 20 out)"; fi
deb=$here/build/lull_${version}_$(dpkg --print-architecture).deb
[ -f "$deb" ] || {
	not_ok "there is $deb"
	exit 1
}
is "nothing is left behind beside the sources" "$(ls -A "$here")" "$before"
is "the package is of this version" "$(dpkg-deb --field "$deb" Version)" "$version"

# Every file that it may hold, from the tree and the program; all belong to root, and nobody else may write them.
dpkg-deb --fsys-tarfile "$deb" >package.tar
tar -tf package.tar | grep -v '/$' | sed 's|^\./||' | sort >contents
{
	printf '%s\n' etc/lull/lull.conf usr/bin/lull usr/sbin/lulld usr/lib/sysusers.d/lull.conf usr/share/lull/lull.conf \
		usr/share/bash-completion/completions/lull{,d} usr/share/doc/lull/{README.md.gz,changelog.gz,copyright} \
		usr/share/lintian/overrides/lull usr/share/man/man1/lull.1.gz usr/share/man/man8/lulld.8.gz \
		usr/share/man/man5/lull-recording.5.gz
	(cd "$here/scripts/service" && printf 'lib/systemd/system/%s\n' *.service)
	(cd "$here/profiles" && printf 'usr/share/lull/profiles/%s\n' *)
	(cd "$here/src/man" && printf 'usr/share/man/man5/%s.gz\n' *.5)
	"$lull" --help | sed -n '/^Commands:/,/^$/s/^  \([a-z]*\) .*/\1/p' | grep -vx help | sed 's|.*|usr/share/man/man1/lull-&.1.gz|'
} | sort >wanted
is "it holds these files and no others" "$(diff wanted contents)" ""
is "all belong to root" "$(tar --numeric-owner -tvf package.tar | awk '$2 != "0/0"')" ""
is "only root may write them" "$(tar -tvf package.tar | awk '$1 !~ /^l/ && $1 ~ /^.....w|^........w|s|t/')" ""
mkdir tree
tar -xf package.tar -C tree
is "manuals are gzip" "$(find tree/usr/share/man -type f -exec gzip -t {} \; 2>&1)" ""
is "the changelog is whole" "$(gzip -dc tree/usr/share/doc/lull/changelog.gz | diff - "$here/scripts/debian/changelog")" ""
has tree/usr/share/doc/lull/copyright "the copyright can be read by machines" \
	"Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/"
is "no debugging information" "$(readelf -S tree/usr/bin/lull tree/usr/sbin/lulld | grep -F .debug_)" ""
"$here/scripts/check-hardening.sh" tree/usr/bin/lull tree/usr/sbin/lulld || bad=1

dpkg-deb --field "$deb" Depends | tr ',' '\n' | sed 's/^ *//; s/ .*//' >depends
for package in libjs-dygraphs libpcap0.8 libsqlite3-0 libsystemd0 libseccomp2 libc6 systemd; do
	grep -qxE "${package//./\\.}(t64)?" depends && ok "it depends on $package" || not_ok "it depends on $package"
done
dpkg-deb --info "$deb" conffiles >conffiles
is "its configuration is the administrator's" "$(cat conffiles)" /etc/lull/lull.conf
dpkg-deb --info "$deb" postinst >postinst
dpkg-deb --info "$deb" prerm >prerm
has postinst "an upgrade restarts what runs" "deb-systemd-invoke try-restart 'lull-view.service' 'lulld.service'"
is "nothing is started on installation" "$(grep -E 'deb-systemd-invoke (start|restart)' postinst)" ""
# It enables again what a former installation had enabled, and nothing else.
is "nothing is enabled on installation" "$(grep -c 'deb-systemd-helper enable' postinst)" \
	"$(grep -c 'if deb-systemd-helper debian-installed' postinst)"
has postinst "the user comes first" "systemd-sysusers"
is "before the services" "$(grep -oE 'systemd-sysusers|try-restart' postinst | head -n 1)" systemd-sysusers
has prerm "removal stops the services" "deb-systemd-invoke stop lulld.service lull-view.service"

# Warnings and remarks too: what cannot be otherwise is explained in scripts/debian/lull.lintian-overrides.
if lintian --allow-root --pedantic --display-info --fail-on error,warning,info,pedantic "$deb" >out 2>&1; then
	ok "lintian has nothing to say"
else
	not_ok "lintian: $(cat out)"
fi
is "each override is used" "$(lintian --allow-root --tags unused-override,mismatched-override "$deb" 2>/dev/null)" ""
is "each override is explained" "$(awk '!/^#/ && previous !~ /^#/; { previous = $0 }' "$here/scripts/debian/lull.lintian-overrides")" ""
exit $bad
