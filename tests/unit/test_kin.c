/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_kin: IDs grouped by timing: made senders whose truth is known, and open captures whose senders are. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "core/kin.h"
#include "open_captures.h"
#include "source/capture.h"

#include <lull/observe.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define MOST 512

/* --- frames in, groups out --- */

static int by_time(const void *x, const void *y)
{
	const struct lull_frame *a = x, *b = y;

	return (a->t > b->t) - (a->t < b->t);
}

/* One bus, recording time in t. The truth is sender[i] of id[i]. */
struct result {
	size_t n, group[MOST];
	uint32_t id[MOST];
	double sure[MOST];
	bool cyclic[MOST];
};

static void group_frames(struct frame_list *frames, bool retime, struct result *r)
{
	struct lull_night night;
	struct lull_verdict v = { 0 };
	struct lull_question ask = lull_question_default();
	struct lull_case c = { .night = &night, .ask = &ask, .v = &v };
	size_t idents[MOST];
	int settled[MOST];

	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);
	struct lull_observer *o = lull_observer_new(&sink);
	struct lull_retimer *retimer = retime ? lull_retimer_new(o, &sink, frames->at[0].t) : NULL;
	lull_time end = 0;

	assert_non_null(o);
	assert_int_equal(lull_observer_bus(o, "can0", 500000, 0), 0);
	for (size_t i = 0; i < frames->n; i++) {
		if (retime)
			assert_int_equal(lull_retimer_frame(retimer, &frames->at[i]), 0);
		else
			assert_int_equal(lull_observer_frame(o, &frames->at[i]), 0);
		end = frames->at[i].t;
	}
	if (retime) {
		assert_int_equal(lull_retimer_flush(retimer), 0);
		end = lull_retimer_last(retimer);
	}
	assert_int_equal(lull_observer_finish(o, end), 0);
	lull_retimer_free(retimer);
	lull_observer_free(o);
	assert_int_equal(lull_night_sort(&night), 0);
	case_idents(&c);
	assert_true(v.ids.n <= MOST);
	r->n = v.ids.n;
	for (size_t i = 0; i < r->n; i++) {
		idents[i] = i;
		settled[i] = -1;
		r->id[i] = v.ids.at[i].id;
		r->cyclic[i] = v.ids.at[i].cyclic;
	}
	case_kin(&c, idents, r->n, settled, r->group, r->sure);
	assert_false(c.oom);
	free(c.run);
	free(c.run_at);
	free(c.run_count);
	lull_verdict_clear(&v);
	lull_night_clear(&night);
}

struct score {
	double joined, right, same, index;
};

/* Over IDs whose sender is known (>= 0). */
static struct score score(const struct result *r, const int *sender)
{
	struct score s = { 0 };
	double known = 0;

	for (size_t a = 0; a < r->n; a++) {
		known += sender[a] >= 0;
		for (size_t b = a + 1; b < r->n; b++) {
			if (sender[a] < 0 || sender[b] < 0)
				continue;
			bool same = sender[a] == sender[b], joined = r->group[a] == r->group[b];
			s.same += same;
			s.joined += joined;
			s.right += same && joined;
		}
	}
	/* Hubert and Arabie, "Comparing partitions", Journal of Classification 2, 1985 */
	double all = known * (known - 1) / 2, chance = all > 0 ? s.same * s.joined / all : 0, most = (s.same + s.joined) / 2;
	s.index = most > chance ? (s.right - chance) / (most - chance) : 1;
	return s;
}

static void print_score(const char *what, const struct score *s)
{
	print_message("# %s: adjusted Rand index %.2f; of %.0f pairs joined %.1f %% are of one sender; %.1f %% of %.0f such pairs found\n", what,
		s->index, s->joined, s->joined > 0 ? 100 * s->right / s->joined : 100, s->same > 0 ? 100 * s->right / s->same : 0, s->same);
}

/* --- made senders --- */

enum stamps { HARDWARE, BATCHED, BATCHED_5, MILLISECONDS };

struct made_id {
	uint32_t id;
	int sender;
	int64_t period;
	double offset; /* s after the sender's start */
	double rounding; /* ppm */
};

struct made_sender {
	double ppm, drift_ppm, tau_s; /* drifts with e^(-t/tau) */
	double boot_s, boot_varies_s;
	double stop_s, stop_varies_s; /* in short wakes, after its start; 0: with all */
};

/* Numerical Recipes' quick generator: any will do here. */
static uint32_t state;
static double uniform(double low, double high)
{
	state = 1664525u * state + 1013904223u;
	return low + (high - low) * (double)(state >> 8) / (1 << 24);
}

/* One wake of all senders at `from`, for `length` seconds. */
static void make_wake(struct frame_list *to, const struct made_id *ids, size_t n, const struct made_sender *senders, double from, double length,
	enum stamps stamps)
{
	double start[8], stop[8];

	for (unsigned i = 0; i < 8; i++) {
		start[i] = from + senders[i].boot_s + uniform(0, senders[i].boot_varies_s);
		stop[i] = senders[i].stop_s > 0 && length < 60 ? start[i] + senders[i].stop_s + uniform(0, senders[i].stop_varies_s) : from + length;
		stop[i] = fmin(stop[i], from + length);
	}
	for (size_t i = 0; i < n; i++) {
		const struct made_sender *s = &senders[ids[i].sender];
		double due = start[ids[i].sender] + ids[i].offset;

		while (due < stop[ids[i].sender]) {
			double t = due + uniform(0, 100e-6);
			struct lull_frame frame = { .id = ids[i].id, .len = 8 };

			switch (stamps) {
			case HARDWARE: frame.t = (lull_time)(t * 1e6) * LULL_US; break;
			case BATCHED: frame.t = ((lull_time)(t * 1e3) + 1) * LULL_MS; break;
			case BATCHED_5: frame.t = ((lull_time)(t * 200) + 1) * 5 * LULL_MS; break;
			case MILLISECONDS: frame.t = (lull_time)(t * 1e3) * LULL_MS; break;
			}
			frame_list_add(to, &frame);
			double ppm = s->ppm + s->drift_ppm * exp(-due / s->tau_s);
			due += 1e-9 * (double)ids[i].period * (1 + 1e-6 * ppm) * (1 + 1e-6 * ids[i].rounding);
		}
	}
}

static const struct made_sender three[8] = {
	{ 31.0, 12, 1500, 0.080, 0.004, 11, 2 },
	{ -22.0, -9, 3000, 0.130, 0.004, 17, 3 },
	{ 12.0, 4, 5000, 0.055, 0.004, 0, 0 },
};
/* Numbers of IDs say nothing of their sender. */
static const struct made_id ids_of_three[] = {
	{ 0x101, 0, 100 * LULL_MS, 0.005, 0 }, { 0x102, 1, 100 * LULL_MS, 0.010, 0 }, { 0x103, 2, 100 * LULL_MS, 0.030, 0 },
	{ 0x104, 0, 200 * LULL_MS, 0.025, 0 }, { 0x105, 1, 200 * LULL_MS, 0.015, 0 }, { 0x106, 2, 50 * LULL_MS, 0.045, 0 },
	{ 0x107, 0, 500 * LULL_MS, 0.100, 0 }, { 0x108, 1, 250 * LULL_MS, 0.085, 0 }, { 0x109, 2, 400 * LULL_MS, 0.150, 0 },
	{ 0x10a, 0, 100 * LULL_MS, 0.060, 0 }, { 0x10b, 1, 100 * LULL_MS, 0.055, 0 }, { 0x10c, 2, 100 * LULL_MS, 0.095, 0 },
};
enum { IDS_OF_THREE = sizeof ids_of_three / sizeof *ids_of_three };

#define TICKS_1024 (-1) /* ppm no longer: what a timer of 1/1024 s makes of the periods */
static struct score made(double rounding, unsigned wakes, double length, enum stamps stamps, struct result *r)
{
	struct frame_list frames = { 0 };
	struct made_id ids[IDS_OF_THREE];
	int sender[MOST];

	state = 7;
	memcpy(ids, ids_of_three, sizeof ids);
	for (size_t i = 0; i < IDS_OF_THREE; i++)
		ids[i].rounding = rounding > 0 ? uniform(-rounding, rounding) : 0;
	for (size_t i = 0; i < IDS_OF_THREE && rounding == TICKS_1024; i++) {
		double ticks = 1024e-9 * (double)ids[i].period;

		/* the third sender's timer comes out exactly */
		ids[i].rounding = ids[i].sender == 2 ? 0 : 1e6 * (round(ticks) / ticks - 1);
	}
	for (unsigned w = 0; w < wakes; w++)
		make_wake(&frames, ids, IDS_OF_THREE, three, 5 + 600.0 * w, length, stamps);
	/* the listening began before: a frame of its own */
	struct lull_frame first = { .id = 0x7ff, .len = 1 };
	frame_list_add(&frames, &first);
	qsort(frames.at, frames.n, sizeof *frames.at, by_time);
	group_frames(&frames, false, r);
	frame_list_clear(&frames);
	for (size_t i = 0; i < r->n; i++)
		sender[i] = r->id[i] >= 0x101 && r->id[i] < 0x101 + IDS_OF_THREE ? ids[r->id[i] - 0x101].sender : -1;
	return score(r, sender);
}

static void groups_what_one_sender_sends(void **unused)
{
	static const struct {
		const char *what;
		double rounding;
		unsigned wakes;
		double length;
		enum stamps stamps;
		double least_index;
	} table[] = {
		{ "an hour, hardware stamps", 0, 1, 3600, HARDWARE, 0.9 },
		{ "an hour, batches of 1 ms", 0, 1, 3600, BATCHED, 0.9 },
		{ "half an hour, batches of 5 ms", 0, 1, 1800, BATCHED_5, 0.9 },
		{ "four minutes, batches of 5 ms", 0, 1, 240, BATCHED_5, 0.7 },
		{ "four minutes, batches of 1 ms", 0, 1, 240, BATCHED, 0.7 },
		{ "an hour, stamps of 1 ms", 0, 1, 3600, MILLISECONDS, 0.9 },
		{ "two hours, software timers rounded apart at random by up to 500 ppm", 500, 1, 7200, HARDWARE, 0.2 },
		{ "ten minutes, timers that tick 1,024 times a second", TICKS_1024, 1, 600, HARDWARE, 0.9 },
		{ "ten minutes, as many ticks, batches of 1 ms", TICKS_1024, 1, 600, BATCHED, 0.4 },
		{ "twenty wakes, rounded apart", 500, 20, 30, HARDWARE, 0.9 },
		{ "twenty wakes, batches of 1 ms", 0, 20, 30, BATCHED, 0.7 },
	};
	(void)unused;
	for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
		struct result r;
		struct score s = made(table[i].rounding, table[i].wakes, table[i].length, table[i].stamps, &r);

		print_score(table[i].what, &s);
		assert_true(s.joined == s.right);
		assert_true(s.index >= table[i].least_index);
	}
}

/* What comes by chance has no period, however few frames or many. */
static void chance_is_no_period(void **unused)
{
	(void)unused;
	for (unsigned night = 0; night < 20; night++) {
		struct frame_list frames = { 0 };
		struct result r;
		unsigned cyclic = 0;

		state = 11 + night;
		for (uint32_t id = 0x200; id < 0x210; id++) {
			struct lull_frame f = { .id = id, .len = 8, .t = LULL_SEC };

			while (f.t < (200 + 20 * (lull_time)night) * LULL_SEC) {
				frame_list_add(&frames, &f);
				f.t += 20 * LULL_MS - (lull_time)(1e6 * (0.5 + 0.4 * (id & 15)) * log(uniform(1e-6, 1))) * LULL_US;
			}
		}
		for (lull_time t = LULL_SEC; t < 200 * LULL_SEC; t += LULL_SEC / 2) {
			struct lull_frame f = { .id = 0x300, .len = 8, .t = t };

			frame_list_add(&frames, &f);
		}
		qsort(frames.at, frames.n, sizeof *frames.at, by_time);
		group_frames(&frames, false, &r);
		frame_list_clear(&frames);
		for (size_t i = 0; i < r.n; i++) {
			if (r.id[i] == 0x300)
				assert_true(r.cyclic[i]);
			else
				cyclic += r.cyclic[i];
		}
		assert_true(cyclic <= 2); /* of sixteen, three of which send hardly ten frames in the shortest night */
	}
}

static void gets_better_with_each_wake(void **unused)
{
	double before = 0;

	(void)unused;
	for (unsigned wakes = 4; wakes <= 24; wakes += 10) {
		struct result r;
		struct score s = made(500, wakes, 30, HARDWARE, &r);

		assert_true(s.right >= 0.9 * s.joined);
		assert_true(s.right >= before);
		before = s.right;
	}
	assert_true(before > 0);
}

static void leaves_alone_what_is_not_proven(void **unused)
{
	struct result r;
	/* ten seconds of coarse stamps are no evidence */
	struct score s = made(0, 1, 10, MILLISECONDS, &r);

	(void)unused;
	assert_true(s.joined == 0);
	for (size_t i = 0; i < r.n; i++) {
		assert_int_equal(r.group[i], i);
		assert_true(r.sure[i] == 1);
	}
}

/* Two senders that boot, send and stop as one do, but for their clocks. */
static void common_stops_are_no_kinship(void **unused)
{
	static const struct made_sender two[8] = { { 20, 0, 1000, 0.1, 0.003, 0, 0 }, { 35, 0, 1000, 0.1, 0.003, 0, 0 } };
	struct made_id ids[8];
	struct frame_list frames = { 0 };
	struct result r;

	(void)unused;
	state = 3;
	for (unsigned i = 0; i < 8; i++)
		ids[i] = (struct made_id){ 0x200 + i, i % 2, 100 * LULL_MS, 0.005 * i, 0 };
	for (unsigned w = 0; w < 10; w++)
		make_wake(&frames, ids, 8, two, 5 + 300.0 * w, 60, HARDWARE);
	qsort(frames.at, frames.n, sizeof *frames.at, by_time);
	group_frames(&frames, false, &r);
	frame_list_clear(&frames);
	for (size_t a = 0; a < r.n; a++)
		for (size_t b = a + 1; b < r.n; b++)
			if (r.id[a] % 2 != r.id[b] % 2)
				assert_int_not_equal(r.group[a], r.group[b]);
}

/* --- open captures --- */

/* Senders by name in the database's lines "BO_ number name: length sender". Names that say "unknown" are left out. */
struct senders {
	struct {
		uint32_t id;
		int sender;
	} of[MOST];
	size_t n;
	char name[64][32];
	size_t names;
};

static bool read_senders(const char *path, struct senders *s)
{
	char line[512], sender[32];
	FILE *in = fopen(path, "r");

	if (!in)
		return false;
	while (fgets(line, sizeof line, in)) {
		unsigned long id;
		size_t k = 0;

		if (strncmp(line, "BO_ ", 4) != 0)
			continue;
		id = strtoul(line + 4, NULL, 10);
		const char *colon = strchr(line, ':');
		if (!colon || sscanf(colon + 1, "%*u %31s", sender) != 1 || s->n == MOST || !strcmp(sender, "XXX") ||
			!strcmp(sender, "VCU_MAYBE"))
			continue;
		while (k < s->names && strcmp(s->name[k], sender) != 0)
			k++;
		if (k == 64)
			break;
		if (k == s->names)
			snprintf(s->name[s->names++], sizeof s->name[0], "%s", sender);
		s->of[s->n].id = (uint32_t)id;
		s->of[s->n++].sender = (int)k;
	}
	return fclose(in) == 0;
}

static const char *data_path(const char *name, char *path, size_t size)
{
	const char *shared = getenv("LULL_SHARED");

	snprintf(path, size, "%s/data/%s", shared ? shared : "../shared", name);
	if (access(path, R_OK) == 0)
		return path;
	print_message("# SKIP: there is no %s (open data; set LULL_SHARED)\n", path);
	return NULL;
}

static void agrees_with_the_senders_of_kona_ev(void **unused)
{
	char path[512], err[256];
	static struct senders senders;
	struct frame_list frames = { 0 };
	struct lull_frame frame;
	struct result r;
	int sender[MOST];

	(void)unused;
	if (!data_path("kona_ev/pcan.dbc", path, sizeof path))
		skip();
	memset(&senders, 0, sizeof senders);
	assert_true(read_senders(path, &senders));
	if (!data_path("kona_ev/230112-7-2019-pcan-ccan-power-off-on-ready-off.csv", path, sizeof path))
		skip();
	struct lull_capture *capture = lull_capture_open(path, NULL, NULL, err, sizeof err);
	assert_non_null(capture);
	/* the database is that of the first bus; what the other carries may have been forwarded */
	while (lull_capture_read(capture, &frame, 1) == 1)
		if (!strcmp(lull_capture_bus_name(capture, frame.bus), lull_capture_bus_name(capture, 0))) {
			frame.bus = 0;
			frame_list_add(&frames, &frame);
		}
	lull_capture_close(capture);
	if (!frames.at) {
		fail_msg("the capture gave no frame");
		return;
	}
	qsort(frames.at, frames.n, sizeof *frames.at, by_time);
	lull_time first = frames.at[0].t;
	for (size_t i = 0; i < frames.n; i++)
		frames.at[i].t -= first;
	group_frames(&frames, false, &r);
	frame_list_clear(&frames);
	for (size_t i = 0; i < r.n; i++) {
		sender[i] = -1;
		for (size_t k = 0; k < senders.n; k++)
			if (senders.of[k].id == r.id[i])
				sender[i] = senders.of[k].sender;
	}
	struct score s = score(&r, sender);
	print_score("kona_ev", &s);
	assert_true(s.right >= 0.9 * s.joined);
}

static void agrees_with_the_addresses_of_nmea2000(void **unused)
{
	static const char *const files[] = { "nmea2000/can0-1.pcap", "nmea2000/can0-2.pcap" };

	(void)unused;
	for (size_t f = 0; f < 2; f++) {
		struct frame_list frames = { 0 };
		struct result r;
		int sender[MOST];

		if (!open_capture_pcap(files[f], &frames))
			skip();
		group_frames(&frames, true, &r);
		frame_list_clear(&frames);
		for (size_t i = 0; i < r.n; i++)
			sender[i] = (int)(r.id[i] & 0xff);
		struct score s = score(&r, sender);
		print_score(files[f], &s);
		assert_true(s.right >= 0.9 * s.joined);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(groups_what_one_sender_sends),
		cmocka_unit_test(chance_is_no_period), cmocka_unit_test(gets_better_with_each_wake),
		cmocka_unit_test(leaves_alone_what_is_not_proven),
		cmocka_unit_test(common_stops_are_no_kinship),
		cmocka_unit_test(agrees_with_the_senders_of_kona_ev),
		cmocka_unit_test(agrees_with_the_addresses_of_nmea2000),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
