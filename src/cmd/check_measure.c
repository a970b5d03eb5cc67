/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check_measure: listening at the buses and reading the clamp for lull check. */
#include <cmd/ask.h>
#include <cmd/check_measure.h>
#include <errno.h>
#include <math.h>
#include <poll.h>
#include <source/can_listen.h>
#include <source/can_watch.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define READINGS_MOST 20000

void lull_check_look(const struct lull_check_bus *bus, size_t n, struct lull_ready_bus *facts, struct lull_ready_traffic *traffic)
{
	const struct lull_link_io io = lull_link_kernel();
	size_t i;

	for (i = 0; i < n; i++) {
		struct lull_ready_bus *f = &facts[i];
		struct lull_link_state s;
		struct lull_coalescing c;

		memset(f, 0, sizeof *f);
		(void)snprintf(f->name, sizeof f->name, "%s", bus[i].name);
		lull_ready_traffic_init(&traffic[i]);
		f->traffic = &traffic[i];
		f->wanted_bitrate = bus[i].bitrate;
		f->accepted = bus[i].accepted;
		if (!bus[i].interface[0] || lull_link_query(&io, bus[i].interface, &s) || !s.can)
			continue;
		f->present = true;
		f->up = s.up;
		f->simulated = s.simulated;
		f->passive = s.controller == LULL_CONTROLLER_PASSIVE;
		f->bus_off = s.controller == LULL_CONTROLLER_BUS_OFF;
		f->listens_only = lull_link_listens_only(&s);
		f->shows_errors = lull_link_shows_bus_errors(&s);
		f->holds_frames = !lull_coalescing_read(bus[i].interface, &c) && lull_coalescing_holds(&c);
		f->bitrate = s.bitrate;
		f->sent = s.simulated ? 0 : s.frames_sent;
	}
}

struct hearing {
	struct lull_ready_traffic *traffic[LULL_LISTEN_MAX];
	size_t n;
	unsigned wakes;
};

static int take(void *ctx, const struct lull_frame *f)
{
	const struct hearing *h = ctx;
	size_t i;

	lull_ready_traffic_add(h->traffic[f->bus], f);
	for (i = 0; h->wakes && i < h->n; i++) {
		if (h->traffic[i]->wakes < h->wakes)
			return 0;
	}
	return h->wakes ? 1 : 0;
}

static double now_s(void)
{
	struct timespec t;

	(void)clock_gettime(CLOCK_BOOTTIME, &t);
	return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

int lull_check_listen(const struct lull_check_bus *bus, size_t n, double seconds, unsigned wakes, const volatile int *stop,
	struct lull_ready_bus *facts, struct lull_ready_traffic *traffic, char *err, size_t err_size)
{
	struct hearing h = {.wakes = wakes};
	struct lull_listen_result result;
	const char *name[LULL_LISTEN_MAX];
	size_t which[LULL_LISTEN_MAX] = {0}, i;
	double from = now_s();
	int r;

	for (i = 0; i < n && h.n < LULL_LISTEN_MAX; i++) {
		if (!facts[i].up)
			continue;
		name[h.n] = bus[i].interface;
		h.traffic[h.n] = &traffic[i];
		which[h.n++] = i;
	}
	if (!h.n)
		return 0;
	r = lull_listen(name, h.n, (int64_t)(seconds * 1e9), stop, take, &h, &result);
	if (r < 0 && r != -EINTR) {
		(void)snprintf(err, err_size, "cannot listen: %s", strerror(-r));
		return -1;
	}
	for (i = 0; i < h.n; i++) {
		struct lull_ready_bus *f = &facts[which[i]];

		f->listened = true;
		f->listened_s = now_s() - from;
		f->lost = result.lost[i];
		f->gone = result.stopped[i];
	}
	return 0;
}

struct readings {
	float mA[READINGS_MOST];
	size_t n;
};

/* The instrument itself. */
static int read_live(const struct lull_live_spec *spec, double until, const volatile int *stop, struct readings *r,
	struct lull_ready_facts *facts)
{
	struct lull_live *l = lull_live_open(spec, (lull_time)(now_s() * 1e9));

	if (!l)
		return -ENOMEM;
	while (!*stop && r->n < READINGS_MOST) {
		lull_time now = (lull_time)(now_s() * 1e9);
		struct pollfd p;
		struct lull_live_event e;
		double left = until - now_s(), due;

		while (r->n < READINGS_MOST && lull_live_step(l, now, &e)) {
			if (e.what == LULL_LIVE_LOST)
				(void)snprintf(facts->clamp.why, sizeof facts->clamp.why, "%s", e.why);
			if (e.what != LULL_LIVE_READING)
				continue;
			r->mA[r->n++] = (float)e.uA / 1000;
			facts->clamp.over += e.over;
		}
		if (left <= 0)
			break;
		due = fmin(fmax((double)(lull_live_due(l) - now) / 1e9, 0), fmin(left, 0.2));
		p = (struct pollfd){.fd = lull_live_fd(l), .events = lull_live_poll(l)};
		(void)poll(&p, 1, (int)(due * 1000) + 1);
	}
	lull_live_close(l);
	return 0;
}

/* One look through the recorder. False: none runs, or it has no clamp. *at: of the last reading. */
static bool ask(const char *socket, double *at, struct readings *r, struct lull_ready_facts *facts)
{
	json_t *state, *current;
	const char *lost;
	char err[256];
	bool there;

	if (lull_ask_try(socket, "status", 2000, &state, err, sizeof err))
		return false;
	current = json_object_get(state, "current");
	there = json_is_object(current);
	lost = json_string_value(json_object_get(current, "lost"));
	if (lost)
		(void)snprintf(facts->clamp.why, sizeof facts->clamp.why, "%s", lost);
	else if (json_is_number(json_object_get(current, "mA")) && json_number_value(json_object_get(current, "at_s")) != *at) {
		*at = json_number_value(json_object_get(current, "at_s"));
		r->mA[r->n++] = (float)json_number_value(json_object_get(current, "mA"));
	}
	json_decref(state);
	return there;
}

int lull_check_clamp(const struct lull_live_spec *spec, const char *socket, double seconds, const volatile int *stop,
	struct lull_ready_facts *facts)
{
	const struct timespec pause = {.tv_nsec = 100 * 1000 * 1000};
	struct readings *r = calloc(1, sizeof *r);
	double until = now_s() + seconds, at = (double)NAN;
	int e = 0;

	if (!r)
		return -ENOMEM;
	if (ask(socket, &at, r, facts)) {
		while (!*stop && r->n < READINGS_MOST && now_s() < until && ask(socket, &at, r, facts))
			(void)nanosleep(&pause, NULL);
	} else {
		e = read_live(spec, until, stop, r, facts);
	}
	facts->clamp.readings = (unsigned)r->n;
	facts->clamp.answers = r->n > 0;
	if (!r->n && !facts->clamp.why[0])
		(void)snprintf(facts->clamp.why, sizeof facts->clamp.why, "nothing came in %.0f s", seconds);
	lull_ready_clamp(r->mA, r->n, &facts->clamp.mean_mA, &facts->clamp.noise_mA);
	if (!e && r->n && !isnan(facts->clamp.load_mA))
		e = lull_ready_load(r->mA, r->n, facts->clamp.load_mA, &facts->clamp.load_seen_mA);
	free(r);
	return e;
}
