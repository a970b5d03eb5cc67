/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_search: which bit rate a bus runs at. Pure but for the operations it is given. */
#include <source/can_search.h>

#include <errno.h>
#include <linux/can/error.h>
#include <linux/can/netlink.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

/* By how usual they are in cars, so that the first try is most often the last. Which transceivers run them: trade practice; the
 * low-speed standards end at 125 kbit/s (ISO 11898-3) and near 83.333 (SAE J2411, its fast mode) [mem]. */
static const struct {
	uint32_t rate;
	bool high_speed, fault_tolerant, single_wire;
} rates[] = {{500000, true, false, false}, {125000, true, true, false}, {250000, true, false, false},
	{1000000, true, false, false}, {100000, true, true, false}, {800000, true, false, false}, {83333, true, true, true},
	{50000, true, true, false}, {33333, false, true, true}};
static const uint32_t data_rates[] = {2000000, 5000000, 4000000, 1000000, 8000000};

const char *lull_transceiver_name(enum lull_transceiver p)
{
	switch (p) {
	case LULL_TRANSCEIVER_HIGH_SPEED: return "high-speed";
	case LULL_TRANSCEIVER_FAULT_TOLERANT: return "fault-tolerant";
	case LULL_TRANSCEIVER_SINGLE_WIRE: return "single-wire";
	case LULL_TRANSCEIVER_UNKNOWN: break;
	}
	return "unknown";
}

int lull_transceiver_parse(const char *text, enum lull_transceiver *out)
{
	enum lull_transceiver p;

	for (p = LULL_TRANSCEIVER_UNKNOWN; p <= LULL_TRANSCEIVER_SINGLE_WIRE; p++) {
		if (!strcasecmp(text, lull_transceiver_name(p))) {
			*out = p;
			return 0;
		}
	}
	return -EINVAL;
}

const char *lull_search_answer_name(enum lull_search_answer a)
{
	switch (a) {
	case LULL_SEARCH_FOUND: return "found";
	case LULL_SEARCH_LONE_SENDER: return "found, one sender alone";
	case LULL_SEARCH_POSSIBLY_FD: return "possibly FD";
	case LULL_SEARCH_ONLY_ERRORS: return "only errors";
	case LULL_SEARCH_TRANSCEIVER: return "wrong kind of transceiver";
	case LULL_SEARCH_NOTHING: return "nothing heard";
	case LULL_SEARCH_UNCLEAR: return "unclear";
	case LULL_SEARCH_FAILED: break;
	}
	return "not searched";
}

void lull_heard_frame(struct lull_heard *h, const struct lull_frame *f, uint32_t *last_id, lull_time *last_t)
{
	uint32_t i;

	if (f->flags & LULL_FRAME_ERROR) {
		/* Only those that tell of a broken frame: a change of state or a full queue says nothing of the rate. */
		if (f->id & (CAN_ERR_PROT | CAN_ERR_BUSERROR))
			h->errors++;
		return;
	}
	h->frames++;
	if (f->flags & LULL_FRAME_FD)
		h->fd_frames++;
	if (f->id == *last_id && f->t - *last_t < LULL_MS)
		h->repeated++;
	*last_id = f->id;
	*last_t = f->t;
	for (i = 0; i < h->ids && h->id[i] != f->id; i++)
		;
	if (i == h->ids && h->ids < sizeof h->id / sizeof h->id[0])
		h->id[h->ids++] = f->id;
}

static bool fits_transceiver(size_t i, enum lull_transceiver p)
{
	switch (p) {
	case LULL_TRANSCEIVER_HIGH_SPEED: return rates[i].high_speed;
	case LULL_TRANSCEIVER_FAULT_TOLERANT: return rates[i].fault_tolerant;
	case LULL_TRANSCEIVER_SINGLE_WIRE: return rates[i].single_wire;
	case LULL_TRANSCEIVER_UNKNOWN: break;
	}
	return true;
}

static void add(struct lull_search *s, uint32_t bitrate, uint32_t fd_bitrate)
{
	if (s->n < LULL_TRIES_MAX)
		s->tries[s->n++] = (struct lull_try){.bitrate = bitrate, .fd_bitrate = fd_bitrate};
}

void lull_search_plan(struct lull_search *s, enum lull_transceiver p, bool fd)
{
	static const uint32_t nominal[] = {500000, 1000000, 250000};
	size_t i, j;

	memset(s, 0, sizeof *s);
	s->transceiver = p;
	for (i = 0; i < sizeof rates / sizeof rates[0]; i++) {
		if (fits_transceiver(i, p))
			add(s, rates[i].rate, 0);
	}
	if (fd && (p == LULL_TRANSCEIVER_UNKNOWN || p == LULL_TRANSCEIVER_HIGH_SPEED)) {
		for (i = 0; i < sizeof nominal / sizeof nominal[0]; i++) {
			for (j = 0; j < sizeof data_rates / sizeof data_rates[0]; j++)
				add(s, nominal[i], data_rates[j]);
		}
	}
	s->best = s->n;
}

/* Error frames and what the driver counted are two views of the same. */
static uint32_t errors(const struct lull_heard *h)
{
	return h->errors > h->counted ? h->errors : h->counted;
}

bool lull_heard_fits(const struct lull_heard *h)
{
	return h->frames >= 10 && errors(h) * 50 <= h->frames;
}

/* Frames that pass the checksum at a wrong rate are next to impossible: a few at all tell the arbitration phase's rate. */
static bool frames_among_errors(const struct lull_heard *h)
{
	return h->frames >= 3 && !lull_heard_fits(h) && errors(h) > 0;
}

static bool was_heard(const struct lull_try *t)
{
	return t->done && t->possible;
}

/* A data phase is worth a try where the arbitration phase may be right: classical frames came through, or no rate gave
 * anything but errors. */
static bool worth(const struct lull_search *s, const struct lull_try *t)
{
	bool any_frames = false, any_errors = false;
	size_t i;

	if (!t->fd_bitrate)
		return true;
	for (i = 0; i < s->n; i++) {
		const struct lull_try *o = &s->tries[i];

		if (!was_heard(o) || o->fd_bitrate)
			continue;
		if (o->bitrate == t->bitrate && frames_among_errors(&o->heard))
			return true;
		any_frames |= o->heard.frames >= 3;
		any_errors |= errors(&o->heard) > 0;
	}
	return !any_frames && any_errors;
}

static bool fits(const struct lull_try *t)
{
	return was_heard(t) && lull_heard_fits(&t->heard);
}

/* The data phase for an arbitration phase that is known: a controller with its FD switched off may pass over FD frames without a
 * word (ISO 11898-1:2015, protocol exception), so that a bus with some looks classical. One look in FD mode tells; where it
 * shows errors, the rates are gone through. */
static size_t next_data_phase(const struct lull_search *s, uint32_t bitrate)
{
	size_t i, undone = s->n;

	for (i = s->n; i-- > 0;) {
		const struct lull_try *t = &s->tries[i];

		if (!t->fd_bitrate || t->bitrate != bitrate)
			continue;
		if (fits(t) || (was_heard(t) && !errors(&t->heard)))
			return s->n;
		if (!t->done)
			undone = i;
	}
	return undone;
}

size_t lull_search_next(const struct lull_search *s)
{
	size_t i;

	for (i = 0; i < s->n; i++) {
		if (fits(&s->tries[i]))
			return s->tries[i].fd_bitrate ? s->n : next_data_phase(s, s->tries[i].bitrate);
	}
	for (i = 0; i < s->n; i++) {
		if (!s->tries[i].done && worth(s, &s->tries[i]))
			break;
	}
	return i;
}

/* A line that reads dominant without end gives an error or two after each start and then nothing more: the controller waits
 * for eleven recessive bits (ISO 11898-1, bus integration). */
static bool never_at_rest(const struct lull_search *s)
{
	size_t i, heard = 0;

	for (i = 0; i < s->n; i++) {
		const struct lull_try *t = &s->tries[i];

		if (!was_heard(t))
			continue;
		heard++;
		if (!errors(&t->heard) || errors(&t->heard) > 3 || t->heard.frames)
			return false;
	}
	return heard >= 2;
}

static void rate_text(uint32_t rate, char *out, size_t size)
{
	(void)snprintf(out, size, "%g kbit/s", rate / 1e3);
}

static void found(struct lull_search *s, const struct lull_try *t)
{
	char rate[32];

	rate_text(t->bitrate, rate, sizeof rate);
	if (t->heard.ids == 1 && t->heard.repeated * 2 > t->heard.frames) {
		s->answer = LULL_SEARCH_LONE_SENDER;
		(void)snprintf(s->why, sizeof s->why,
			"%s, but one node alone repeats frame 0x%03X: nobody acknowledges it. Is the adapter on the car's bus, or "
			"on a cut-off piece of it?",
			rate, t->heard.id[0] & LULL_ID_BITS);
		return;
	}
	s->answer = LULL_SEARCH_FOUND;
	if (t->bitrate <= 33333 && s->transceiver != LULL_TRANSCEIVER_SINGLE_WIRE)
		(void)snprintf(s->why, sizeof s->why,
			"Buses at %s are single-wire as a rule: make sure that the adapter's transceiver is of that kind", rate);
	else if (errors(&t->heard))
		(void)snprintf(s->why, sizeof s->why, "A few bus errors came too: check the plug and that the adapter's terminator is off");
}

/* No rate fits beyond doubt. */
static void explain(struct lull_search *s, uint32_t most_errors, size_t with_frames)
{
	const struct lull_try *b = s->best < s->n ? &s->tries[s->best] : NULL;
	char rate[32] = "";

	if (b)
		rate_text(b->bitrate, rate, sizeof rate);
	if (b && with_frames == 1 && errors(&b->heard) * 50 > b->heard.frames) {
		s->answer = LULL_SEARCH_POSSIBLY_FD;
		(void)snprintf(s->why, sizeof s->why,
			"At %s some frames are whole and others are errors: possibly CAN FD, whose data phase this adapter was not set "
			"to or cannot do; else a bad contact, a second terminator, or frames that collide with another tester's",
			rate);
	} else if (with_frames) {
		s->answer = LULL_SEARCH_UNCLEAR;
		(void)snprintf(s->why, sizeof s->why,
			"Few frames came, or some at more than one rate; most at %s. Listen longer with the key on", rate);
	} else if (never_at_rest(s)) {
		s->answer = LULL_SEARCH_TRANSCEIVER;
		(void)snprintf(s->why, sizeof s->why,
			"The line never comes to rest: wrong kind of transceiver for this bus (fault-tolerant and single-wire buses have "
			"other levels), or its wires are shorted. Measure the pins first");
	} else if (most_errors) {
		s->answer = LULL_SEARCH_ONLY_ERRORS;
		(void)snprintf(s->why, sizeof s->why,
			"Something talks, and no usual rate makes whole frames of it: CAN FD at an adapter that cannot (or with another "
			"data rate), an unusual rate, the wrong kind of transceiver, or no common ground");
	} else {
		s->answer = LULL_SEARCH_NOTHING;
		(void)snprintf(s->why, sizeof s->why,
			"Nothing was heard: key off or bus asleep, a gateway that lets nothing through, wrong pins, or the two wires "
			"swapped%s",
			s->errors_visible ? ""
					  : ". This adapter shows no bus errors, so that a wrong rate looks just like silence");
	}
}

/* A fit beats any other, and FD frames that came through are the proof of a data phase. */
static int rank(const struct lull_try *t)
{
	if (!fits(t))
		return 0;
	return t->heard.fd_frames ? 3 : t->fd_bitrate ? 1 : 2;
}

/* Clean as classical CAN, and errors whenever FD is on. */
static bool hides_fd(const struct lull_search *s, const struct lull_try *best)
{
	size_t i, heard = 0;

	if (!fits(best) || best->fd_bitrate)
		return false;
	for (i = 0; i < s->n; i++) {
		const struct lull_try *t = &s->tries[i];

		if (!t->fd_bitrate || t->bitrate != best->bitrate || !was_heard(t))
			continue;
		if (fits(t) || !errors(&t->heard))
			return false;
		heard++;
	}
	return heard > 0;
}

void lull_search_judge(struct lull_search *s)
{
	char rate[32];
	uint32_t most_errors = 0;
	size_t i, with_frames = 0, tried = 0;

	s->best = s->n;
	s->why[0] = 0;
	for (i = 0; i < s->n; i++) {
		const struct lull_try *t = &s->tries[i];
		const struct lull_try *b = s->best < s->n ? &s->tries[s->best] : NULL;

		if (!was_heard(t))
			continue;
		tried++;
		s->errors_visible |= errors(&t->heard) > 0;
		most_errors = errors(&t->heard) > most_errors ? errors(&t->heard) : most_errors;
		if (!t->heard.frames)
			continue;
		with_frames += !t->fd_bitrate && t->heard.frames >= 3;
		if (!b || rank(t) > rank(b) || (rank(t) == rank(b) && t->heard.frames > b->heard.frames))
			s->best = i;
	}
	if (s->best < s->n && hides_fd(s, &s->tries[s->best])) {
		rate_text(s->tries[s->best].bitrate, rate, sizeof rate);
		s->answer = LULL_SEARCH_POSSIBLY_FD;
		(void)snprintf(s->why, sizeof s->why,
			"At %s classical frames are whole, but in FD mode there are errors at every usual data rate: possibly CAN FD with "
			"an unusual one. Its frames would not be seen",
			rate);
	} else if (s->best < s->n && lull_heard_fits(&s->tries[s->best].heard)) {
		found(s, &s->tries[s->best]);
	} else if (!tried) {
		s->answer = LULL_SEARCH_FAILED;
		(void)snprintf(s->why, sizeof s->why, "The controller can be set to none of these rates");
	} else {
		explain(s, most_errors, with_frames);
	}
}

static enum lull_link_result one(const struct lull_search_io *io, const char *name, int64_t ns, struct lull_search *s, struct lull_try *t)
{
	struct lull_link_spec spec = {.bitrate = t->bitrate, .fd_bitrate = t->fd_bitrate};
	struct lull_link_state state, after;
	enum lull_link_result r;

	(void)snprintf(spec.name, sizeof spec.name, "%s", name);
	r = lull_link_setup(&io->link, &spec, &state, s->why, sizeof s->why);
	if (r != LULL_LINK_SET)
		return r;
	s->errors_visible |= lull_link_shows_bus_errors(&state);
	t->possible = true;
	if (io->listen(io->ctx, name, ns, &t->heard))
		t->heard.stopped = true;
	if (!lull_link_query(&io->link, name, &after) && after.bus_errors > state.bus_errors)
		t->heard.counted = after.bus_errors - state.bus_errors;
	return r;
}

void lull_search_run(const struct lull_search_io *io, const char *name, int64_t ns, enum lull_transceiver p, struct lull_search *s)
{
	struct lull_link_state state;
	char said[160];
	size_t i;
	bool going = true;
	bool fd = !lull_link_query(&io->link, name, &state) && state.can_do_known &&
		((state.can_do | state.modes) & CAN_CTRLMODE_FD);

	lull_search_plan(s, p, fd);
	while (going && (i = lull_search_next(s)) < s->n) {
		struct lull_try *t = &s->tries[i];

		if (io->tell)
			io->tell(io->ctx, t, false);
		s->setup = one(io, name, ns, s, t);
		t->done = true;
		if (t->heard.stopped) {
			s->setup = LULL_LINK_ABSENT;
			(void)snprintf(s->why, sizeof s->why, "%s went away, or its link down, while listening", name);
		}
		/* A rate that the controller cannot make is no reason to end; all else is. */
		going = s->setup == LULL_LINK_SET || s->setup == LULL_LINK_NO_RATE || s->setup == LULL_LINK_NO_FD;
		if (going && io->tell)
			io->tell(io->ctx, t, true);
	}
	(void)io->link.ops->down(io->link.ctx, name, said, sizeof said);
	if (going) {
		lull_search_judge(s);
	} else {
		s->answer = LULL_SEARCH_FAILED;
		s->best = s->n;
	}
}
