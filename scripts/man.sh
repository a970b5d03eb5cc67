#!/usr/bin/env bash
# man: writes the manual pages into a folder. Each page has one source: for a command that is its own --help (help2man), with
# what goes beyond it in src/man/NAME.add; for lull-recording(5) the schema with its comments; the rest stands in src/man.
# usage: scripts/man.sh FOLDER; B: the build folder
set -euo pipefail
cd "$(dirname "$0")/.."
out=$1
build=${B:-build}
mkdir -p "$out"
export LC_ALL=C.UTF-8
version=$("$build/lull" --version | sed -n 1p)
# A date that the sources alone decide.
day=$(date -u -d "@${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct 2>/dev/null || date +%s)}" +%Y-%m-%d)

# page NAME SECTION ABOUT COMMAND...
page() {
	local name=$1 section=$2 about=$3 add=()
	shift 3
	[ -f "src/man/$name.add" ] && add=(--include "src/man/$name.add")
	help2man --no-info --section="$section" --name="$about" --version-string="$version" "${add[@]}" "$*" |
		sed -e "s/^\.TH .*/.TH ${name^^} $section $day \"$version\" \"lull\"/" -e '/^\.\\" DO NOT MODIFY/d' \
			-e 's/^Exit status: /.SH EXIT STATUS\n/' |
		awk '/^\.PP$/ { held = 1; next } held { if ($0 !~ /^\.(SH|SS|PP)/) print ".PP"; held = 0 } { print }' >"$out/$name.$section"
}

page lull 1 "find what drains a parked car's battery over its CAN buses" "$build/lull"
# "  import     make a recording ..." of lull --help
"$build/lull" --help | sed -n '/^Commands:/,/^$/s/^  \([a-z]*\) *\(.*\)$/\1 \2/p' >"$out/commands"
while read -r name about; do
	[ "$name" = help ] || page "lull-$name" 1 "$about" "$build/lull $name"
done <"$out/commands"
rm "$out/commands"
[ ! -x "$build/lulld" ] || page lulld 8 "record a parked car's CAN buses and its current" "$build/lulld"

for source in src/man/*.[1-8]; do
	[ -f "$source" ] || continue
	sed "s/@DATE@/$day/" "$source" >"$out/$(basename "$source")"
done

# Tables and columns from the schema: "CREATE TABLE name ( -- about", "  column TYPE ..., -- about", and columns that came later:
# "ALTER TABLE name ADD COLUMN column TYPE ... /* about */;".
{
	sed "s/@DATE@/$day/" src/man/lull-recording.head
	sed -n 's/^\t"\(.*\)\\n" *\\*$/\1/p; s/^\t"\(.*\)\\n"$/\1/p' src/store/schema.c | awk '
	function roff(s) { gsub(/\\/, "\\e", s); gsub(/-/, "\\-", s); return s ~ /^[.'\'']/ ? "\\&" s : s }
	function column(line, about) {
		page[table] = page[table] ".TP\n\\fB" roff(line) "\\fR\n" (about == "" ? "\\&" : roff(about)) "\n"
	}
	/^CREATE TABLE/ {
		about = $0; sub(/^[^-]*-- /, "", about)
		table = $3
		name[++tables] = table
		page[table] = roff(about) "\n"
		in_table = 1
		next
	}
	/^ALTER TABLE .* ADD COLUMN/ {
		line = $0; sub(/;$/, "", line)
		table = $3
		about = ""
		if (match(line, / \/\* .* \*\//)) { about = substr(line, RSTART + 4, RLENGTH - 7); line = substr(line, 1, RSTART - 1) }
		sub(/^.* ADD COLUMN /, "", line)
		column(line, about)
		next
	}
	/^\);/ { in_table = 0; next }
	in_table {
		line = $0; sub(/^[\t ]+/, "", line)
		about = ""
		if (match(line, / -- /)) { about = substr(line, RSTART + 4); line = substr(line, 1, RSTART - 1) }
		sub(/,$/, "", line)
		column(line, about)
	}
	END { for (i = 1; i <= tables; i++) printf ".SS %s\n%s", name[i], page[name[i]] }'
	cat src/man/lull-recording.tail
} >"$out/lull-recording.5"
