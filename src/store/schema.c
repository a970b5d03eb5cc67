/* SPDX-License-Identifier: GPL-3.0-or-later */
/* schema: the tables of a recording. The comments are kept in the file: `sqlite3 NIGHT.lull .schema` shows them. */
#include "recording.h"
#include "store.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

/* One column a line, and its comment beside it. */
/* clang-format off */
/* ID as people write it, for the views. */
#define ID_TEXT(id) \
	"CASE WHEN " id " IS NULL THEN 'none' WHEN " id " >= 2147483648 THEN printf('0x%08X', " id " & 536870911)" \
	" ELSE printf('0x%03X', " id ") END"

#define SCHEMA_1 \
	"CREATE TABLE text ( -- named texts of the recording\n" \
	"	key TEXT PRIMARY KEY, -- 'profile', 'capture', 'limits', 'created-by'\n" \
	"	value TEXT NOT NULL\n" \
	");\n" \
	"CREATE TABLE bus ( -- one row a CAN bus; counts are for the whole recording\n" \
	"	bus INTEGER PRIMARY KEY, -- 0..15; all tables name a bus by this number\n" \
	"	name TEXT NOT NULL, -- as in the capture, 'can0'\n" \
	"	bitrate INTEGER NOT NULL, -- bit/s; 0: unknown\n" \
	"	bitrate_data INTEGER NOT NULL, -- bit/s of the CAN FD data phase; 0: unknown or none\n" \
	"	frames INTEGER NOT NULL, -- data and remote frames\n" \
	"	bits INTEGER NOT NULL, -- their length on the wire, stuff bits and inter-frame space included\n" \
	"	errors INTEGER NOT NULL, -- error frames\n" \
	"	overflow INTEGER NOT NULL, -- frames of IDs for which the ID table had no place\n" \
	"	overflow_ids INTEGER NOT NULL, -- at least so many such IDs\n" \
	"	first_ns INTEGER, -- first frame; NULL: none. All *_ns: nanoseconds from the start of the recording\n" \
	"	last_ns INTEGER -- last frame; NULL: none\n" \
	");\n" \
	"CREATE TABLE stretch ( -- one arbitration ID sending without a break\n" \
	"	bus INTEGER NOT NULL,\n" \
	"	id INTEGER, -- 0..0x7FF, or 0x80000000 + 29 bits: extended; NULL: IDs that the full table could not take\n" \
	"	kind TEXT NOT NULL, -- 'cyclic'; 'events': all frames of a 5-minute window; 'overflow'\n" \
	"	ended TEXT NOT NULL, -- 'gap': it stopped; 'blind', 'loss', 'evicted', 'open': no stop; 'rate': goes on at another period\n" \
	"	flags INTEGER NOT NULL, -- seen in any frame: 1 remote, 4 FD, 8 bit-rate switch, 16 error state\n" \
	"	first_ns INTEGER NOT NULL, -- first frame\n" \
	"	last_ns INTEGER NOT NULL, -- last frame\n" \
	"	frames INTEGER NOT NULL,\n" \
	"	bits INTEGER NOT NULL, -- on the wire\n" \
	"	period_ns INTEGER NOT NULL, -- nominal period; 0: unknown\n" \
	"	last_index INTEGER NOT NULL, -- of the last frame: sum of round(gap / period), so a lost frame shifts nothing\n" \
	"	gap_min_ns INTEGER NOT NULL, -- shortest time between two frames; 0 with one frame\n" \
	"	gap_max_ns INTEGER NOT NULL, -- longest\n" \
	"	fit_n REAL NOT NULL, -- fit of r = t - first - k * period over index k: number of arrivals\n" \
	"	fit_sk REAL NOT NULL, -- sum of k\n" \
	"	fit_skk REAL NOT NULL, -- sum of k * k\n" \
	"	fit_sr REAL NOT NULL, -- sum of r, ns\n" \
	"	fit_skr REAL NOT NULL, -- sum of k * r\n" \
	"	fit_srr REAL NOT NULL, -- sum of r * r\n" \
	"	fit_r_min_ns INTEGER NOT NULL, -- smallest r: delays only add\n" \
	"	back_to_back INTEGER NOT NULL, -- copies that follow at once: nobody acknowledged\n" \
	"	changes INTEGER NOT NULL, -- how often payload bytes 0-1 changed\n" \
	"	length INTEGER NOT NULL, -- payload bytes of the first frame, 8 at most\n" \
	"	payload_first BLOB NOT NULL, -- 8 bytes, of which `length` count\n" \
	"	payload_second BLOB NOT NULL, -- of the second frame\n" \
	"	payload_last BLOB NOT NULL, -- of the last\n" \
	"	changed_bits INTEGER NOT NULL, -- bit 8 * byte + bit set: that payload bit changed; a signed number of 64 bits\n" \
	"	gap_bins TEXT -- 'events' only, JSON array: gaps of 62.5 us * 2^i up to twice that, i = 0..23; else NULL\n" \
	");\n" \
	"CREATE TABLE cadence ( -- the same fit over one 5-minute window of a long stretch\n" \
	"	bus INTEGER NOT NULL,\n" \
	"	id INTEGER,\n" \
	"	stretch_first_ns INTEGER NOT NULL, -- first_ns of its stretch, from which k counts\n" \
	"	window_ns INTEGER NOT NULL, -- start of the window\n" \
	"	period_ns INTEGER NOT NULL,\n" \
	"	fit_n REAL NOT NULL,\n" \
	"	fit_sk REAL NOT NULL,\n" \
	"	fit_skk REAL NOT NULL,\n" \
	"	fit_sr REAL NOT NULL,\n" \
	"	fit_skr REAL NOT NULL,\n" \
	"	fit_srr REAL NOT NULL,\n" \
	"	fit_r_min_ns INTEGER NOT NULL\n" \
	");\n" \
	"CREATE TABLE gap ( -- a silence of a whole bus of 1 s or more\n" \
	"	bus INTEGER NOT NULL,\n" \
	"	last_ns INTEGER, -- last frame before it; NULL: none\n" \
	"	next_ns INTEGER, -- first frame after it; NULL: none up to the end\n" \
	"	last_id INTEGER, -- of these two frames\n" \
	"	next_id INTEGER\n" \
	");\n" \
	"CREATE TABLE change ( -- payload bytes 0 and 1 of an ID changed, or were seen first in a stretch\n" \
	"	bus INTEGER NOT NULL,\n" \
	"	id INTEGER,\n" \
	"	t_ns INTEGER NOT NULL,\n" \
	"	length INTEGER NOT NULL, -- how many of the two bytes that frame had\n" \
	"	bytes BLOB NOT NULL -- 2 bytes\n" \
	");\n" \
	"CREATE TABLE edge ( -- frames kept around a silence of 2 s or more\n" \
	"	kind TEXT NOT NULL, -- 'first': after the silence; 'last': before it; 'new': first frame of an ID\n" \
	"	copies INTEGER NOT NULL, -- 1, or how many followed back to back\n" \
	"	t_ns INTEGER NOT NULL,\n" \
	"	last_copy_ns INTEGER NOT NULL, -- the last of the copies\n" \
	"	bus INTEGER NOT NULL,\n" \
	"	flags INTEGER NOT NULL, -- 1 remote, 2 error frame, 4 FD, 8 bit-rate switch, 16 error state\n" \
	"	id INTEGER, -- of an error frame: its class bits as in linux/can/error.h\n" \
	"	length INTEGER NOT NULL, -- payload bytes, 64 at most\n" \
	"	data BLOB -- the payload; NULL: remote frame\n" \
	");\n" \
	"CREATE TABLE coverage ( -- when a bus was really observed; rows may overlap, and a blind reason beats 'observed'\n" \
	"	bus INTEGER, -- NULL: every bus\n" \
	"	why TEXT NOT NULL, -- 'observed', or why the bus could not be heard\n" \
	"	from_ns INTEGER NOT NULL,\n" \
	"	to_ns INTEGER NOT NULL\n" \
	");\n" \
	"CREATE TABLE mark ( -- something a person did or says\n" \
	"	t_ns INTEGER NOT NULL,\n" \
	"	kind TEXT NOT NULL, -- 'key on', 'key off', 'door', ..., 'other'\n" \
	"	value REAL, -- 'test load': mA; else NULL\n" \
	"	name TEXT NOT NULL, -- node or circuit, or empty\n" \
	"	text TEXT NOT NULL -- as written\n" \
	");\n" \
	"CREATE TABLE clock ( -- the wall clock as known at an instant\n" \
	"	t_ns INTEGER NOT NULL,\n" \
	"	utc_ns INTEGER NOT NULL, -- since 1970-01-01 UTC\n" \
	"	error_ns INTEGER NOT NULL -- plus or minus\n" \
	");\n" \
	"CREATE TABLE left_out ( -- what was not used, and why\n" \
	"	sentence TEXT NOT NULL\n" \
	");\n" \
	"CREATE VIEW stretches AS SELECT b.name AS bus, " ID_TEXT("s.id") " AS id, s.first_ns / 1e9 AS from_s," \
	" s.last_ns / 1e9 AS to_s, s.frames, s.period_ns / 1e6 AS period_ms, s.kind, s.ended" \
	" FROM stretch s LEFT JOIN bus b USING (bus) ORDER BY s.first_ns, s.bus, s.id;\n" \
	"CREATE VIEW silences AS SELECT b.name AS bus, g.last_ns / 1e9 AS from_s, g.next_ns / 1e9 AS to_s, " \
	ID_TEXT("g.last_id") " AS last_id, " ID_TEXT("g.next_id") " AS next_id" \
	" FROM gap g LEFT JOIN bus b USING (bus) ORDER BY g.last_ns, g.bus;\n" \
	"CREATE VIEW edges AS SELECT b.name AS bus, e.t_ns / 1e9 AS at_s, e.kind, CASE WHEN e.flags & 2 THEN 'error' ELSE " \
	ID_TEXT("e.id") " END AS id, hex(e.data) AS data, e.copies" \
	" FROM edge e LEFT JOIN bus b USING (bus) ORDER BY e.t_ns, e.bus;\n" \
	"CREATE VIEW covered AS SELECT coalesce(b.name, 'all') AS bus, c.from_ns / 1e9 AS from_s, c.to_ns / 1e9 AS to_s, c.why" \
	" FROM coverage c LEFT JOIN bus b USING (bus) ORDER BY c.from_ns, c.bus;\n" \
	"CREATE VIEW marks AS SELECT t_ns / 1e9 AS at_s, kind, name, value, text FROM mark ORDER BY t_ns;\n"

/* The battery's current beside the buses. */
#define SCHEMA_2_ADDS \
	"CREATE TABLE clamp ( -- what is known of the clamp's log; the last row holds, none: there was no log\n" \
	"	mV_per_A REAL, -- scale of the clamp; NULL: the log was in amperes\n" \
	"	range_A REAL, -- saturation on either side; NULL: not told\n" \
	"	inverted INTEGER NOT NULL, -- 1: told to hang the other way round, and turned in chunk\n" \
	"	first_s REAL NOT NULL, -- stamp of the first sample, s, where the log has no dates\n" \
	"	dated INTEGER NOT NULL, -- 1: the log has dates\n" \
	"	start_utc_ns INTEGER NOT NULL, -- of the first sample by the clamp's clock; 0 without dates\n" \
	"	zero_before_mA REAL, -- reading off the cable; NULL: none\n" \
	"	zero_after_mA REAL,\n" \
	"	logger_mA REAL, -- the logger's own draw from the car; NULL: none told\n" \
	"	samples INTEGER NOT NULL,\n" \
	"	skipped INTEGER NOT NULL, -- lines that were no sample\n" \
	"	live INTEGER NOT NULL -- 1: its clock is the recording's\n" \
	");\n" \
	"CREATE TABLE chunk ( -- a run of samples on a regular grid, some 300 s each\n" \
	"	tau_ns INTEGER NOT NULL, -- of the first one, from the log's first sample, by the clamp's clock\n" \
	"	step_ns INTEGER NOT NULL,\n" \
	"	count INTEGER NOT NULL,\n" \
	"	uA BLOB NOT NULL -- microamperes, 32 bits each, signed, low byte first; -2147483648: no reading\n" \
	");\n" \
	"CREATE VIEW chunks AS SELECT tau_ns / 1e9 AS from_s, (tau_ns + step_ns * (count - 1)) / 1e9 AS to_s," \
	" step_ns / 1e9 AS step_s, count FROM chunk ORDER BY tau_ns;\n"

/* Who made a recording live, and when. While one is being made, what has not ended yet lies in the other tables as it would if
 * the recording ended now, under row numbers from LULL_JOURNAL_ROWS on. */
#define SCHEMA_3_ADDS \
	"CREATE TABLE session ( -- one run of the recorder; an imported capture has none\n" \
	"	session INTEGER PRIMARY KEY,\n" \
	"	boot TEXT NOT NULL, -- the kernel's boot ID: within one boot the time between two sessions is known exactly\n" \
	"	from_ns INTEGER NOT NULL, -- where it begins in the recording\n" \
	"	boottime_ns INTEGER NOT NULL, -- CLOCK_BOOTTIME at from_ns\n" \
	"	ended_ns INTEGER, -- where it was stopped; NULL: still running, or broken off\n" \
	"	written INTEGER NOT NULL -- bytes it has written to the disk, as far as it could tell; 0: still running, or broken off\n" \
	");\n"

/* The earliest arrivals of a stretch, or of a window: 12 bytes each, index k (32 bits) and r in ns (64 bits, signed), low byte
 * first; NULL: none kept. */
#define SCHEMA_4_ADDS \
	"ALTER TABLE stretch ADD COLUMN floor BLOB;\n" \
	"ALTER TABLE cadence ADD COLUMN floor BLOB;\n"

/* Which night this is, and what later versions of the program fill in. The comments of added columns stand in the file, too.
 * The table `text` stays as it is in every schema: a program that does not know a schema reads there which one does. */
#define READABLE_FROM "lull 0.2"
#define SCHEMA_5_ADDS \
	"INSERT OR REPLACE INTO text (key, value) VALUES ('readable-from', '" READABLE_FROM "');\n" \
	"ALTER TABLE bus ADD COLUMN sent INTEGER /* of frames, those that our own adapter sent; NULL: not counted */;\n" \
	"ALTER TABLE stretch ADD COLUMN ceiling BLOB /* latest starts of the busy runs that hold the frames, as in floor; NULL: none kept */;\n" \
	"ALTER TABLE stretch ADD COLUMN changes_left_out INTEGER /* changes that have no row in change; NULL: not counted */;\n" \
	"ALTER TABLE stretch ADD COLUMN sent INTEGER /* of frames, those that our own adapter sent (flag 32); NULL: not counted */;\n" \
	"ALTER TABLE cadence ADD COLUMN ceiling BLOB /* as in stretch */;\n" \
	"ALTER TABLE gap ADD COLUMN kind TEXT NOT NULL DEFAULT 'silence' /* 'silence'; 'pause': most IDs stopped together, however briefly */;\n" \
	"ALTER TABLE gap ADD COLUMN paused INTEGER NOT NULL DEFAULT 0 /* 'pause': IDs that stopped */;\n" \
	"ALTER TABLE gap ADD COLUMN went_on INTEGER NOT NULL DEFAULT 0 /* 'pause': IDs that did not stop */;\n" \
	"ALTER TABLE clamp ADD COLUMN channel INTEGER NOT NULL DEFAULT 0 /* 0: the battery current; 1..7: measured beside it */;\n" \
	"ALTER TABLE clamp ADD COLUMN quantity TEXT NOT NULL DEFAULT 'current' /* 'current'; 'voltage': chunk holds microvolts */;\n" \
	"ALTER TABLE chunk ADD COLUMN channel INTEGER NOT NULL DEFAULT 0 /* as in clamp */;\n" \
	"CREATE TABLE repair ( -- what the repair showed, told afterwards\n" \
	"	utc_ns INTEGER NOT NULL, -- when it was told, since 1970-01-01 UTC\n" \
	"	outcome TEXT NOT NULL, -- 'confirmed', 'wrong': that module; 'other'\n" \
	"	module TEXT NOT NULL, -- its name, or empty\n" \
	"	text TEXT NOT NULL -- as written\n" \
	");\n" \
	"CREATE VIEW identity AS SELECT (SELECT value FROM text WHERE key = 'uuid') AS uuid," \
	" (SELECT value FROM text WHERE key = 'vehicle') AS vehicle, (SELECT value FROM text WHERE key = 'model') AS model," \
	" (SELECT value FROM text WHERE key = 'recorder') AS recorder;\n"
/* clang-format on */

const struct lull_schema lull_schemas[] = {
	{1, SCHEMA_1, SCHEMA_2_ADDS},
	{2, SCHEMA_1 SCHEMA_2_ADDS, SCHEMA_3_ADDS},
	{3, SCHEMA_1 SCHEMA_2_ADDS SCHEMA_3_ADDS, SCHEMA_4_ADDS},
	{4, SCHEMA_1 SCHEMA_2_ADDS SCHEMA_3_ADDS SCHEMA_4_ADDS, SCHEMA_5_ADDS},
	{LULL_SCHEMA_VERSION, SCHEMA_1 SCHEMA_2_ADDS SCHEMA_3_ADDS SCHEMA_4_ADDS SCHEMA_5_ADDS, NULL},
};
const size_t lull_schema_count = sizeof(lull_schemas) / sizeof(lull_schemas[0]);

const struct lull_schema *lull_schema_of(
	const struct lull_schema *schemas, size_t schema_count, int64_t version)
{
	for (size_t i = 0; i < schema_count; i++) {
		if (schemas[i].version == version)
			return &schemas[i];
	}
	return NULL;
}

int lull_schema_migrate(sqlite3 *db, const struct lull_schema *from)
{
	char sql[64];
	int rc = SQLITE_OK;

	for (; from->to_next && rc == SQLITE_OK; from++) {
		rc = sqlite3_exec(db, from->to_next, NULL, NULL, NULL);
		(void)snprintf(sql, sizeof(sql), "PRAGMA user_version = %d", from[1].version);
		if (rc == SQLITE_OK)
			rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
	}
	return rc;
}

/* Looks every table of `ours` up in db. */
static int compare(sqlite3 *db, sqlite3_stmt *ours, char *what, size_t what_size)
{
	sqlite3_stmt *theirs;
	int rc = sqlite3_prepare_v2(db,
		"SELECT sql FROM main.sqlite_master WHERE type = 'table' AND name = ?", -1, &theirs, NULL);

	if (rc != SQLITE_OK) {
		lull_store_say(what, what_size, "%s", sqlite3_errmsg(db));
		return lull_sqlite_errno(rc);
	}
	while ((rc = sqlite3_step(ours)) == SQLITE_ROW) {
		const char *name = (const char *)sqlite3_column_text(ours, 0);
		const char *sql = (const char *)sqlite3_column_text(ours, 1);

		if (!name || !sql) {
			rc = SQLITE_NOMEM;
			break;
		}
		(void)sqlite3_reset(theirs);
		rc = sqlite3_bind_text(theirs, 1, name, -1, SQLITE_TRANSIENT);
		if (rc != SQLITE_OK)
			break;
		rc = sqlite3_step(theirs);
		if (rc != SQLITE_ROW && rc != SQLITE_DONE) {
			lull_store_say(what, what_size, "%s", sqlite3_errmsg(db));
			break;
		}
		const char *found = rc == SQLITE_ROW ? (const char *)sqlite3_column_text(theirs, 0) : NULL;

		if (!found || strcmp(found, sql) != 0) {
			lull_store_say(what, what_size, "its table '%s' is %s", name,
				found ? "not as lull makes it" : "missing");
			rc = SQLITE_CORRUPT;
			break;
		}
	}
	(void)sqlite3_finalize(theirs);
	return lull_sqlite_errno(rc);
}

/* Compares the tables of a schema that `where` names with those of db. */
static int same_where(sqlite3 *db, const char *sql, const char *where, char *what, size_t what_size)
{
	sqlite3 *model = NULL;
	sqlite3_stmt *ours = NULL;
	char query[120];
	int r = -ENOMEM;

	(void)snprintf(
		query, sizeof(query), "SELECT name, sql FROM sqlite_master WHERE type = 'table'%s", where);
	if (sqlite3_open(":memory:", &model) == SQLITE_OK &&
		sqlite3_exec(model, sql, NULL, NULL, NULL) == SQLITE_OK &&
		sqlite3_prepare_v2(model, query, -1, &ours, NULL) == SQLITE_OK)
		r = compare(db, ours, what, what_size);
	else
		lull_store_say(what, what_size, "%s", sqlite3_errmsg(model));
	(void)sqlite3_finalize(ours);
	(void)sqlite3_close(model);
	return r;
}

int lull_schema_same(sqlite3 *db, const struct lull_schema *schema, char *what, size_t what_size)
{
	return same_where(db, schema->sql, "", what, what_size);
}

/* A short text of the recording as it may be shown; "" without one. */
static void short_text(sqlite3 *db, const char *key, char *out, size_t size)
{
	sqlite3_stmt *stmt = NULL;

	out[0] = '\0';
	if (sqlite3_prepare_v2(db, "SELECT value FROM main.text NOT INDEXED WHERE key = ?", -1, &stmt,
		    NULL) == SQLITE_OK &&
		sqlite3_bind_text(stmt, 1, key, -1, SQLITE_STATIC) == SQLITE_OK &&
		sqlite3_step(stmt) == SQLITE_ROW && sqlite3_column_type(stmt, 0) == SQLITE_TEXT &&
		(size_t)sqlite3_column_bytes(stmt, 0) < size)
		(void)snprintf(out, size, "%s", (const char *)sqlite3_column_text(stmt, 0));
	(void)sqlite3_finalize(stmt);
	lull_text_clean(out);
}

void lull_schema_say_newer(
	sqlite3 *db, const char *name, int64_t version, int newest, char *err, size_t err_size)
{
	char written[40] = "", needs[40] = "";

	if (!same_where(db, SCHEMA_1, " AND name = 'text'", NULL, 0)) {
		short_text(db, "created-by", written, sizeof(written));
		short_text(db, "readable-from", needs, sizeof(needs));
	}
	if (written[0] && needs[0])
		lull_store_say(err, err_size,
			"%s: written by %s; needs %s or newer (this is lull " LULL_VERSION ")", name, written,
			needs);
	else
		lull_store_say(err, err_size,
			"%s: written by a newer lull (schema %lld; this one reads up to %d): read it with "
			"that version",
			name, (long long)version, newest);
}
