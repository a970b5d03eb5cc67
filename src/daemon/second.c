/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second: what the main process does each second, and in which order. */
#include <daemon/log.h>
#include <daemon/second.h>
#include <daemon/recorder_id.h>

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sys/statvfs.h>

#define PONG_WITHIN (10 * LULL_SEC)
#define WRITE_LATE LULL_MIN /* beyond the batch: the disk hangs */
#define ROUNDS 128 /* of LULL_AT_ONCE: more than any ring holds */

/* --- recordings --- */

/* Frames are kept beside the recording at hand, as soon as there is one. */
static void follow_recording(struct lull_second *s, const struct lull_moment *now)
{
	const char *path = lull_book_path(s->ears.book);

	if (!path[0] || !strcmp(path, s->kept_beside))
		return;
	s->bytes_gone += lull_keep_bytes(s->ears.keep);
	lull_keep_close(s->ears.keep);
	s->ears.keep = s->config->keep == LULL_KEEP_ALL ? lull_keep_open(s->config, path, now) : NULL;
	s->keep_flushed = now->boot;
	(void)snprintf(s->kept_beside, sizeof s->kept_beside, "%s", path);
}

/* Recorder and vehicle of the recording that begins: the configuration's word before the profile's. */
static void set_identity(const struct lull_second *s, struct lull_night_identity *id)
{
	const struct lull_config *c = s->config;
	char err[512];

	if (lull_recorder_id(c->folder, id->recorder, err, sizeof err))
		lull_log(SD_ERR, "%s; the recording goes without the recorder's UUID", err);
	(void)snprintf(id->vehicle, sizeof id->vehicle, "%s", c->vehicle[0] ? c->vehicle : s->car.vehicle);
	(void)snprintf(id->model, sizeof id->model, "%s", c->model[0] ? c->model : s->car.model);
}

static int open_book(struct lull_second *s, const struct lull_moment *now, bool anew, struct lull_book **book)
{
	struct lull_book_plan plan = {.config = s->config, .profile = s->profile, .anew = anew};
	char err[1024];

	lull_boot_id(plan.boot);
	set_identity(s, &plan.identity);
	errno = 0;
	*book = lull_book_open(&plan, now, err, sizeof err);
	if (*book)
		return 0;
	lull_log(SD_ERR, "%s", err);
	return errno ? -errno : -EIO;
}

int lull_second_begin(struct lull_second *s, const struct lull_moment *now)
{
	int r = open_book(s, now, false, &s->ears.book);

	s->bytes_at = s->ears.heard = now->boot;
	if (!r)
		follow_recording(s, now);
	return r;
}

int lull_second_next(struct lull_second *s, const struct lull_moment *now)
{
	struct lull_book *before = s->ears.book, *book;
	unsigned reasons[LULL_BUS_MAX] = {0};
	int64_t since;
	int r;

	for (unsigned i = 0; i < s->config->bus_count; i++)
		reasons[i] = lull_book_blindness(before, i, &since);
	if (s->clamp)
		(void)!lull_clamp_feed_turn(s->clamp, NULL);
	s->ears.book = NULL;
	s->bytes_gone += lull_book_bytes(before);
	(void)!lull_book_close(before, now);
	r = open_book(s, now, true, &book);
	if (r)
		return r;
	r = lull_ears_new_book(&s->ears, book, now);
	if (!r && s->clamp)
		r = lull_clamp_feed_turn(s->clamp, book);
	for (unsigned i = 0; i < s->config->bus_count; i++)
		for (int why = 0; why < LULL_COVERAGE_COUNT && !r; why++)
			if (reasons[i] & 1u << why)
				r = lull_book_blind(book, i, (enum lull_coverage_why)why, now->boot);
	follow_recording(s, now);
	return r;
}

/* --- what is watched --- */

/* Each stage has its own deadline; a quiet bus is no reason to be bitten. */
static bool all_stages_live(const struct lull_second *s, const struct lull_moment *now)
{
	const bool receiver = lull_receiver_answered(s->ears.receiver) || now->boot - s->pinged < PONG_WITHIN;
	/* A disk that refuses is told and tried again; one that does not answer would have held this very process. */
	const bool disk = lull_book_trouble(s->ears.book) ||
		now->boot - lull_book_written_at(s->ears.book) < s->config->batch_ns + WRITE_LATE;

	return receiver && disk;
}

static void watchdog(struct lull_second *s, const struct lull_moment *now)
{
	if (!s->watchdog_us || now->boot - s->fed < (int64_t)s->watchdog_us * LULL_US / 4)
		return;
	if (all_stages_live(s, now)) {
		s->fed = now->boot;
		(void)sd_notify(0, "WATCHDOG=1");
	}
}

static void tell_bytes(struct lull_second *s, const struct lull_moment *now)
{
	if (now->boot - s->bytes_at < 60 * LULL_MIN)
		return;
	const uint64_t bytes = s->bytes_gone + lull_book_bytes(s->ears.book) + lull_keep_bytes(s->ears.keep);

	lull_log(SD_INFO, "%" PRIu64 " kB written within the last hour", (bytes - s->bytes_told) / 1000);
	s->bytes_told = bytes;
	s->bytes_at = now->boot;
}

/* A word before the disk is full, and one when there is room again. */
static void watch_space(struct lull_second *s, const struct lull_moment *now)
{
	struct statvfs fs;

	if (now->boot - s->space_at < LULL_MIN)
		return;
	s->space_at = now->boot;
	if (statvfs(s->config->folder, &fs))
		return;
	const uint64_t room = (uint64_t)fs.f_bavail * fs.f_frsize;
	const bool scarce = room < s->config->keep_free;

	if (scarce != s->scarce)
		lull_log(scarce ? SD_WARNING : SD_NOTICE, "%s: %" PRIu64 " MB are free%s", s->config->folder,
			room / 1000000,
			scarce ? "; when nothing is left the recording waits in memory" : " again");
	s->scarce = scarce;
}

/* --- time --- */

void lull_second_ping(struct lull_second *s, const struct lull_moment *now)
{
	lull_receiver_ping(s->ears.receiver);
	s->pinged = now->boot;
}

/* What the receiver has looked at since it was asked is in the ring before its answer is. */
static void hear_receiver(struct lull_second *s, const struct lull_moment *now)
{
	if (!lull_receiver_answered(s->ears.receiver))
		return;
	if (s->pinged > s->ears.heard)
		s->ears.heard = s->pinged;
	lull_second_ping(s, now);
}

int lull_second_take(struct lull_second *s)
{
	int n = LULL_AT_ONCE;

	for (unsigned i = 0; i < ROUNDS && n == LULL_AT_ONCE; i++)
		n = lull_ears_drain(&s->ears, LULL_AT_ONCE);
	return n < 0 ? n : 0;
}

/* The moment up to which the buses were heard. */
static struct lull_moment heard_at(const struct lull_second *s, const struct lull_moment *now)
{
	struct lull_moment heard = *now;

	heard.utc -= now->boot - s->ears.heard;
	heard.boot = s->ears.heard;
	return heard;
}

int lull_second_pass(struct lull_second *s, const struct lull_moment *now)
{
	hear_receiver(s, now);
	const int n = lull_ears_drain(&s->ears, LULL_AT_ONCE);
	const bool waits = n == LULL_AT_ONCE;
	int r = n < 0 ? n : 0;

	if (!r && !waits) {
		const struct lull_moment heard = heard_at(s, now);

		r = lull_ears_tick(&s->ears, now);
		if (!r)
			r = lull_book_tick(s->ears.book, &heard);
		if (!r && lull_book_time(s->ears.book, now->boot) >= s->config->longest_ns)
			r = lull_second_next(s, now);
	}
	if (r)
		return r;
	follow_recording(s, now);
	if (s->ears.keep && now->boot - s->keep_flushed >= s->config->batch_ns) {
		s->keep_flushed = now->boot;
		lull_keep_flush(s->ears.keep, now);
	}
	watchdog(s, now);
	tell_bytes(s, now);
	watch_space(s, now);
	return waits;
}
