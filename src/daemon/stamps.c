/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stamps: the kernel's and the adapter's stamps of frames -> CLOCK_BOOTTIME. Pure. */
#include <daemon/stamps.h>

#define SET_LEAST (100 * LULL_MS) /* a daemon that disciplines the clock slews below 128 ms or so */
#define SLACK LULL_SEC /* a frame may be so much older than the reading before: another interface was drained first */
#define AHEAD LULL_MS /* and so much younger than its reading, by the clock's slew */
#define LONGEST_WAIT (10 * LULL_MIN) /* of a frame in a socket */
#define OWN_PPM 200 /* two quartz clocks, each within 100 ppm */
#define OWN_JUMP LULL_SEC

int64_t lull_stamps_clock(struct lull_stamps *s, int64_t realtime, int64_t boottime)
{
	int64_t offset = realtime - boottime, set = offset - s->offset;

	s->before = s->known ? s->now : boottime - SLACK;
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
	s->set_at = boottime;
	return set;
}

static bool plausible(const struct lull_stamps *s, int64_t t)
{
	const bool one_setting = !s->set || s->now - s->set_at > LONGEST_WAIT;

	return t >= (one_setting ? s->now - LONGEST_WAIT : s->before - SLACK) && t <= s->now + AHEAD;
}

int64_t lull_stamps_frame(struct lull_stamps *s, int64_t stamp)
{
	int64_t t = stamp - s->offset;

	if (plausible(s, t))
		return t < s->now ? t : s->now;
	t = stamp - s->offset_before;
	if (plausible(s, t))
		return t < s->now ? t : s->now;
	s->guessed++;
	return s->now;
}

int64_t lull_own_clock_frame(struct lull_own_clock *c, int64_t own, int64_t arrived)
{
	int64_t offset = arrived - own;

	if (!own)
		return arrived;
	if (!c->known || own < c->last - OWN_JUMP || offset - c->offset > OWN_JUMP || c->offset - offset > OWN_JUMP) {
		/* A burst that waited in a queue for longer than that has no better time than its arrival. */
		c->resets += c->known;
		c->known = true;
		c->offset = offset;
		c->last = own;
		return arrived;
	}
	if (own > c->last) {
		c->offset += (own - c->last) / 1000000 * OWN_PPM;
		c->last = own;
	}
	if (offset < c->offset)
		c->offset = offset;
	return own + c->offset;
}
