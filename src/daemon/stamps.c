/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stamps: the kernel's and the adapter's stamps of frames -> CLOCK_BOOTTIME. Pure. */
#include <daemon/stamps.h>

#define SET_LEAST (100 * LULL_MS) /* a daemon that disciplines the clock slews below 128 ms or so */
#define AHEAD LULL_MS /* a frame may seem so much younger than the reading that it came with, by the clock's slew */
#define LONGEST_WAIT (10 * LULL_MIN) /* of a frame in a socket */
#define OWN_PPM 200 /* two quartz clocks, each within 100 ppm */
#define OWN_JUMP LULL_SEC
#define OWN_BACK (10 * LULL_MS) /* an adapter with several mailboxes may hand over frames in another order */
#define OWN_MOST (INT64_MAX / 4) /* no clock counts so far */
#define NOTHING INT64_MAX /* no frame came in this window */

int64_t lull_stamps_clock(struct lull_stamps *s, int64_t realtime, int64_t boottime)
{
	int64_t offset = realtime - boottime, set = offset - s->offset, before = s->now;

	s->now = boottime;
	if (!s->known) {
		s->known = true;
		s->offset = s->offset_before = offset;
		return 0;
	}
	s->offset = offset;
	if (set > -SET_LEAST && set < SET_LEAST)
		return 0;
	s->offset_before = offset - set;
	s->set = true;
	s->set_from = before;
	s->set_at = boottime;
	return set;
}

static bool within(int64_t t, int64_t from, int64_t to)
{
	return t >= from - AHEAD && t <= to + AHEAD;
}

int64_t lull_stamps_frame(struct lull_stamps *s, int64_t stamp)
{
	const int64_t oldest = s->now - LONGEST_WAIT, since_set = s->set && s->set_from > oldest ? s->set_from : oldest;
	int64_t t = stamp - s->offset;

	if (within(t, since_set, s->now))
		return t < s->now ? t : s->now;
	t = stamp - s->offset_before;
	if (s->set && within(t, oldest, s->set_at))
		return t < s->now ? t : s->now;
	s->guessed++;
	return s->now;
}

/* Makes `second` the newest window and forgets those that are too old. */
static void open_window(struct lull_own_clock *c, int64_t second)
{
	const int64_t steps = second - c->second;

	if (steps <= 0)
		return;
	for (int64_t i = 0; i < steps && i < LULL_OWN_WINDOWS; i++)
		c->least[(second - i) & (LULL_OWN_WINDOWS - 1)] = NOTHING;
	c->second = second;
	c->before = NOTHING;
	for (unsigned i = 0; i < LULL_OWN_WINDOWS; i++)
		if (c->least[i] < c->before)
			c->before = c->least[i];
}

static void learn_anew(struct lull_own_clock *c, int64_t own, int64_t second)
{
	c->known = true;
	c->last = own;
	c->second = second;
	c->before = NOTHING;
	for (unsigned i = 0; i < LULL_OWN_WINDOWS; i++)
		c->least[i] = NOTHING;
}

static bool has_jumped(const struct lull_own_clock *c, int64_t own, int64_t offset, int64_t least)
{
	if (own < c->last - OWN_BACK)
		return true;
	/* A burst that waited in a queue for so long has no better time than its arrival either. */
	return least != NOTHING && (offset - least > OWN_JUMP || least - offset > OWN_JUMP);
}

int64_t lull_own_clock_frame(struct lull_own_clock *c, int64_t own, int64_t arrived)
{
	if (own <= 0 || own > OWN_MOST)
		return arrived;
	const int64_t fast = own + own / (1000000 / OWN_PPM), second = arrived / LULL_SEC;
	const int64_t offset = arrived - fast;
	int64_t *newest;

	if (!c->known)
		learn_anew(c, own, second);
	open_window(c, second);
	newest = &c->least[c->second & (LULL_OWN_WINDOWS - 1)];
	if (has_jumped(c, own, offset, *newest < c->before ? *newest : c->before)) {
		c->resets++;
		learn_anew(c, own, second);
		newest = &c->least[c->second & (LULL_OWN_WINDOWS - 1)];
	}
	if (offset < *newest)
		*newest = offset;
	if (own > c->last)
		c->last = own;
	return fast + (*newest < c->before ? *newest : c->before);
}

void lull_own_clock_forget(struct lull_own_clock *c)
{
	c->known = false;
}
