/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_config: the clamp's section of lull.conf as a live source. */
#include <source/live_config.h>

#include <stdio.h>
#include <string.h>

bool lull_live_from_config(const struct lull_config_clamp *c, struct lull_live_spec *s)
{
	*s = lull_live_spec_default();
	switch (c->source) {
	case LULL_CLAMP_NONE: return false;
	case LULL_CLAMP_IIO: s->kind = LULL_LIVE_IIO; break;
	case LULL_CLAMP_SCPI: s->kind = LULL_LIVE_SCPI; break;
	case LULL_CLAMP_LINES: s->kind = LULL_LIVE_LINES; break;
	}
	if (s->kind != LULL_LIVE_IIO && c->device[0] != '/' && strncmp(c->device, "tcp:", 4) != 0 && strchr(c->device, ':'))
		(void)snprintf(s->device, sizeof s->device, "tcp:%s", c->device);
	else
		(void)snprintf(s->device, sizeof s->device, "%s", c->device);
	(void)snprintf(s->channel, sizeof s->channel, "%s", c->channel);
	if (c->query[0])
		(void)snprintf(s->query, sizeof s->query, "%s", c->query);
	if (c->baud)
		s->baud = c->baud;
	s->mV_per_A = c->mV_per_A;
	s->unit = c->amperes ? LULL_CLAMP_A : LULL_CLAMP_UNIT_AUTO;
	s->range_A = c->range_A;
	s->gain = c->gain;
	s->divider = c->divider;
	if (c->samples_per_s > 0)
		s->period_ns = (int64_t)(1e9 / c->samples_per_s);
	s->invert = c->inverted;
	return true;
}
