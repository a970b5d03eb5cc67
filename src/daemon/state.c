/* SPDX-License-Identifier: GPL-3.0-or-later */
/* state: how everything stands right now, as JSON. */
#include <daemon/state.h>

#include <jansson.h>
#include <report/when.h>
#include <string.h>
#include <sys/statvfs.h>

#define QUIET_AFTER (10 * LULL_SEC) /* the longest that the judge may ask for: no earlier word of quiet than his */
#define TALKERS 64

static json_t *seconds(lull_time t)
{
	return t == LULL_NEVER ? json_null() : json_real((double)t / 1e9);
}

static json_t *at(const struct lull_ears *ears, int64_t boottime)
{
	return seconds(boottime ? lull_book_time(ears->book, boottime) : LULL_NEVER);
}

static json_t *id_text(uint32_t id)
{
	char text[11];

	return json_string(lull_id_text(id, text));
}

static json_t *talking(const struct lull_ears *ears, unsigned i, int64_t now)
{
	struct lull_rhythm rhythms[TALKERS];
	const lull_time since = lull_book_time(ears->book, now) - QUIET_AFTER;
	json_t *list = json_array();
	const size_t n = lull_observer_rhythms(
		lull_book_observer(ears->book), lull_book_bus(ears->book, i), since > 0 ? since : 0, rhythms, TALKERS);

	for (size_t k = 0; k < n; k++)
		(void)json_array_append_new(list, id_text(rhythms[k].id));
	return list;
}

static json_t *reasons(unsigned set)
{
	json_t *list = json_array();

	for (int why = 0; why < LULL_COVERAGE_COUNT; why++)
		if (set & 1u << why)
			(void)json_array_append_new(list, json_string(lull_coverage_name((enum lull_coverage_why)why)));
	return list;
}

static json_t *bus_state(const struct lull_ears *ears, unsigned i, int64_t now)
{
	const struct lull_ear *ear = &ears->ear[i];
	int64_t since;
	const unsigned blind = lull_book_blindness(ears->book, i, &since);
	enum lull_bus_state state = LULL_BUS_BLIND;

	if (!blind) {
		state = ear->count.last && now - ear->count.last < QUIET_AFTER ? LULL_BUS_AWAKE : LULL_BUS_QUIET;
		since = state == LULL_BUS_AWAKE ? ear->awake_since : ear->count.last > ear->opened ? ear->count.last : ear->opened;
	}
	json_t *json = json_pack("{s:s, s:s, s:s, s:s, s:o, s:o, s:b, s:I, s:I, s:{s:I, s:I, s:I}, s:o, s:o, s:o, s:i, s:I}", "name",
		ears->config->bus[i].name, "interface", ear->interface, "adapter", ear->adapter, "state", lull_bus_state_name(state),
		"why", reasons(blind), "since_s", at(ears, since), "proven", ear->count.last > ear->opened && ear->count.last, "frames",
		(json_int_t)ear->count.frames, "errors", (json_int_t)ear->count.errors, "lost", "socket",
		(json_int_t)ear->count.lost_socket, "ring", (json_int_t)ear->count.lost_ring, "controller",
		(json_int_t)ear->count.lost_controller, "last_s", at(ears, ear->count.last), "last_id",
		ear->count.last ? id_text(ear->count.last_id) : json_null(), "talking", talking(ears, i, now), "buffer_bytes",
		(int)ear->buffer, "sent_here", (json_int_t)ear->count.local);

	if (json && ear->stated) {
		(void)json_object_set_new(json, "listen_only", json_boolean(lull_link_listens_only(&ear->state)));
		(void)json_object_set_new(json, "controller", json_string(lull_controller_name(ear->state.controller)));
		(void)json_object_set_new(json, "bitrate", json_integer(ear->state.bitrate));
	}
	return json;
}

/* null: not known. */
static json_t *told(const char *text)
{
	return text[0] ? json_string(text) : json_null();
}

static json_t *current_state(const struct lull_ears *ears, const struct lull_clamp_state *clamp)
{
	if (!clamp->present)
		return json_null();
	return json_pack("{s:o, s:o, s:o}", "mA", clamp->at && !clamp->lost ? json_real(clamp->mA) : json_null(), "at_s",
		at(ears, clamp->at), "lost", clamp->lost ? json_string(clamp->why) : json_null());
}

char *lull_state_text(const struct lull_ears *ears, const struct lull_clamp_state *clamp, const struct lull_moment *now)
{
	const struct lull_shared *shared = ears->receiver->shared;
	const int trouble = lull_book_trouble(ears->book);
	struct statvfs fs = {0};
	const bool known = !statvfs(ears->config->folder, &fs);
	const char *path = lull_book_path(ears->book);
	char utc[LULL_WHEN] = "";
	json_t *buses = json_array();

	for (unsigned i = 0; i < ears->config->bus_count; i++)
		(void)json_array_append_new(buses, bus_state(ears, i, now->boot));
	if (now->dated)
		(void)lull_when_iso(now->utc, 3, utc);
	const struct lull_night_identity *id = lull_book_identity(ears->book);
	json_t *json = json_pack("{s:b, s:s, s:i, s:s?, s:o, s:o, s:{s:o, s:o}, s:o, s:o, s:o, s:o, s:o, s:{s:I, "
				 "s:f, s:o, s:o}, s:{s:I, s:I}}",
		"ok", 1, "format", "lull.state", "version", 1, "recording", path[0] ? path : NULL, "uuid",
		told(path[0] ? id->uuid : ""), "recorder", told(id->recorder), "vehicle", "id",
		told(id->vehicle), "model", told(id->model), "time_s", at(ears, now->boot), "counted_from_s",
		seconds(lull_book_began(ears->book)), "utc", utc[0] ? json_string(utc) : json_null(), "buses",
		buses, "current", current_state(ears, clamp), "disk", "written_bytes",
		(json_int_t)lull_book_bytes(ears->book), "written_s_ago",
		(double)(now->boot - lull_book_written_at(ears->book)) / 1e9, "trouble",
		trouble ? json_string(strerror(trouble)) : json_null(), "free_bytes",
		known ? json_integer((json_int_t)fs.f_bavail * (json_int_t)fs.f_frsize) : json_null(),
		"receiver", "wakeups", (json_int_t)atomic_load(&shared->wakeups), "frames",
		(json_int_t)atomic_load(&shared->frames));
	char *text = json ? json_dumps(json, JSON_COMPACT | JSON_REAL_PRECISION(12)) : NULL;

	json_decref(json);
	return text;
}
