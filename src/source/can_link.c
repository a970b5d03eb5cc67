/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_link: setting a CAN interface up: down, set, read back, up, read back. Pure but for the operations it is given. */
#include <source/can_link.h>

#include <errno.h>
#include <linux/can/netlink.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What a mode left over from another use could do to the bus or to us is cleared. */
#define OUR_MODES                                                                                                      \
	(CAN_CTRLMODE_LISTENONLY | CAN_CTRLMODE_BERR_REPORTING | CAN_CTRLMODE_FD | CAN_CTRLMODE_LOOPBACK |             \
		CAN_CTRLMODE_ONE_SHOT | CAN_CTRLMODE_PRESUME_ACK)

struct setup {
	const struct lull_link_io *io;
	const struct lull_link_spec *spec;
	struct lull_link_state *state;
	char *why;
	size_t why_size;
	char said[160]; /* by the last step */
};

const char *lull_controller_name(enum lull_controller c)
{
	switch (c) {
	case LULL_CONTROLLER_ACTIVE: return "error-active";
	case LULL_CONTROLLER_WARNING: return "error-warning";
	case LULL_CONTROLLER_PASSIVE: return "error-passive";
	case LULL_CONTROLLER_BUS_OFF: return "bus-off";
	case LULL_CONTROLLER_STOPPED: return "stopped";
	case LULL_CONTROLLER_SLEEPING: return "sleeping";
	case LULL_CONTROLLER_UNKNOWN: break;
	}
	return "unknown";
}

const char *lull_link_result_name(enum lull_link_result r)
{
	switch (r) {
	case LULL_LINK_SET: return "set";
	case LULL_LINK_ABSENT: return "absent";
	case LULL_LINK_NO_CAN: return "no CAN interface";
	case LULL_LINK_FORBIDDEN: return "not permitted";
	case LULL_LINK_ACKNOWLEDGES: return "would acknowledge";
	case LULL_LINK_NO_FD: return "no CAN FD";
	case LULL_LINK_NO_RATE: return "bit rate not possible";
	case LULL_LINK_LATE: return "no answer in time";
	case LULL_LINK_FAILED: break;
	}
	return "failed";
}

bool lull_link_listens_only(const struct lull_link_state *s)
{
	return s->simulated || (s->modes & CAN_CTRLMODE_LISTENONLY);
}

bool lull_link_shows_bus_errors(const struct lull_link_state *s)
{
	return !s->simulated && (s->modes & CAN_CTRLMODE_BERR_REPORTING);
}

static bool fit_name(const char *name)
{
	size_t n = strnlen(name, LULL_LINK_NAME), i;

	if (!n || n >= LULL_LINK_NAME || !strcmp(name, ".") || !strcmp(name, ".."))
		return false;
	for (i = 0; i < n; i++) {
		unsigned char c = (unsigned char)name[i];

		if (c <= ' ' || c == 0x7f || c == '/' || c == ':' || c == '%')
			return false;
	}
	return true;
}

static bool fit_rate(uint32_t rate)
{
	return rate >= 1000 && rate <= 20000000;
}

int lull_link_spec_check(const struct lull_link_spec *s, char *why, size_t size)
{
	const char *bad = NULL;

	if (!fit_name(s->name))
		bad = "this is no name of an interface";
	else if (s->bitrate && !fit_rate(s->bitrate))
		bad = "the bit rate must lie within 1 kbit/s and 20 Mbit/s";
	else if (s->fd_bitrate && (!fit_rate(s->fd_bitrate) || s->fd_bitrate < s->bitrate))
		bad = "the bit rate of the data phase must be at least that of the arbitration phase, and at most 20 Mbit/s";
	else if (s->sample_permille >= 1000 || s->fd_sample_permille >= 1000)
		bad = "a sample point lies between 0 and 1";
	if (bad)
		(void)snprintf(why, size, "%s", bad);
	return bad ? -EINVAL : 0;
}

int lull_link_query(const struct lull_link_io *io, const char *name, struct lull_link_state *state)
{
	memset(state, 0, sizeof *state);
	state->controller = LULL_CONTROLLER_UNKNOWN;
	if (!fit_name(name))
		return -ENODEV;
	return io->ops->query(io->ctx, name, state);
}

LULL_PRINTF(2, 3) static void say(const struct setup *s, const char *format, ...)
{
	va_list ap;

	va_start(ap, format);
	(void)vsnprintf(s->why, s->why_size, format, ap);
	va_end(ap);
}

/* A step failed: what that means, in a sentence. */
static enum lull_link_result failed(const struct setup *s, const char *step, int r)
{
	const char *name = s->spec->name;

	switch (-r) {
	case ENODEV:
		say(s, "%s is not there (any more): is the adapter plugged in, is its driver loaded?", name);
		return LULL_LINK_ABSENT;
	case EPERM:
	case EACCES: say(s, "%s may be changed by root (CAP_NET_ADMIN) only", name); return LULL_LINK_FORBIDDEN;
	case ETIMEDOUT:
		say(s, "%s: %s did not end in time: the adapter hangs or was unplugged", name, step);
		return LULL_LINK_LATE;
	default: break;
	}
	say(s, "%s: %s failed: %s", name, step, s->said[0] ? s->said : strerror(-r));
	return LULL_LINK_FAILED;
}

static uint32_t wanted_modes(const struct setup *s)
{
	const struct lull_link_state *now = s->state;
	uint32_t want = CAN_CTRLMODE_LISTENONLY | CAN_CTRLMODE_BERR_REPORTING;

	if (s->spec->fd_bitrate)
		want |= CAN_CTRLMODE_FD;
	if (!now->can_do_known)
		return want;
	/* What is on and cannot be changed has to be asked for as well, or the kernel refuses. */
	return (want & now->can_do) | (now->modes & ~now->can_do);
}

static enum lull_link_result acknowledges(const struct setup *s)
{
	say(s,
		"%s cannot be set to listen-only: it would acknowledge frames, which changes what the car does. The link is down. "
		"Take another adapter, or accept it knowingly",
		s->spec->name);
	return LULL_LINK_ACKNOWLEDGES;
}

/* A rate that came out otherwise is another rate: 1 % is beyond what any bus bears. */
static bool same_rate(uint32_t is, uint32_t wanted)
{
	return llabs((long long)is - (long long)wanted) * 100 <= wanted;
}

/* What the kernel reads back, against what was wanted. */
static enum lull_link_result prove(const struct setup *s)
{
	const struct lull_link_state *is = s->state;
	const struct lull_link_spec *want = s->spec;

	if (!lull_link_listens_only(is) && !want->accept_acknowledging)
		return acknowledges(s);
	if (!same_rate(is->bitrate, want->bitrate)) {
		say(s, "%s was to run at %u bit/s and reads back %u", want->name, want->bitrate, is->bitrate);
		return LULL_LINK_NO_RATE;
	}
	if (want->fd_bitrate && (!(is->modes & CAN_CTRLMODE_FD) || !same_rate(is->fd_bitrate, want->fd_bitrate))) {
		say(s, "%s: the data phase was to run at %u bit/s and reads back %u", want->name, want->fd_bitrate, is->fd_bitrate);
		return LULL_LINK_NO_FD;
	}
	return LULL_LINK_SET;
}

/* Sets, with fewer and fewer modes where it is not known what the driver can do. */
static enum lull_link_result set(struct setup *s)
{
	const struct lull_link_ops *ops = s->io->ops;
	uint32_t want = wanted_modes(s);
	int r;

	for (;;) {
		s->said[0] = 0;
		r = ops->set(s->io->ctx, s->spec, OUR_MODES, want, s->said, sizeof s->said);
		if (r != -EOPNOTSUPP)
			break;
		if (want & CAN_CTRLMODE_BERR_REPORTING)
			want &= ~(uint32_t)CAN_CTRLMODE_BERR_REPORTING;
		else if ((want & CAN_CTRLMODE_LISTENONLY) && s->spec->accept_acknowledging)
			want &= ~(uint32_t)CAN_CTRLMODE_LISTENONLY;
		else
			break;
	}
	switch (-r) {
	case 0: return LULL_LINK_SET;
	case EOPNOTSUPP:
		if (s->spec->fd_bitrate) {
			say(s, "%s cannot be set to CAN FD and listen-only together", s->spec->name);
			return LULL_LINK_NO_FD;
		}
		return acknowledges(s);
	case EINVAL:
	case ERANGE:
	case EDOM:
		say(s, "%s cannot run at %u bit/s%s", s->spec->name, s->spec->bitrate,
			s->spec->fd_bitrate ? " with that data phase" : s->spec->sample_permille ? " with that sample point" : "");
		return LULL_LINK_NO_RATE;
	default: return failed(s, "setting", r);
	}
}

static enum lull_link_result up(struct setup *s)
{
	int r;

	s->said[0] = 0;
	r = s->io->ops->up(s->io->ctx, s->spec->name, s->said, sizeof s->said);
	if (!r)
		r = lull_link_query(s->io, s->spec->name, s->state);
	if (r)
		return failed(s, "bringing it up", r);
	if (!s->state->up) {
		say(s, "%s did not come up", s->spec->name);
		return LULL_LINK_FAILED;
	}
	return LULL_LINK_SET;
}

/* The way of an interface with a controller behind it. */
static enum lull_link_result controller(struct setup *s)
{
	const struct lull_link_spec *spec = s->spec;
	enum lull_link_result result;
	int r;

	r = s->io->ops->down(s->io->ctx, spec->name, s->said, sizeof s->said);
	if (r)
		return failed(s, "bringing it down", r);
	if (strcmp(s->state->kind, "can") != 0) {
		say(s, "%s has a driver that knows neither bit rate nor listen-only (an old one for serial lines?). The link is down",
			spec->name);
		return LULL_LINK_ACKNOWLEDGES;
	}
	if (!spec->bitrate) {
		say(s, "%s needs a bit rate", spec->name);
		return LULL_LINK_NO_RATE;
	}
	if (s->state->can_do_known && !((s->state->can_do | s->state->modes) & CAN_CTRLMODE_LISTENONLY) &&
		!spec->accept_acknowledging)
		return acknowledges(s);
	if (s->state->can_do_known && spec->fd_bitrate && !((s->state->can_do | s->state->modes) & CAN_CTRLMODE_FD)) {
		say(s, "%s has no CAN FD: frames of that kind would be errors to it", spec->name);
		return LULL_LINK_NO_FD;
	}
	result = set(s);
	if (result != LULL_LINK_SET)
		return result;
	r = lull_link_query(s->io, spec->name, s->state);
	if (r)
		return failed(s, "reading back", r);
	result = prove(s);
	if (result != LULL_LINK_SET || spec->keep_down)
		return result;
	result = up(s);
	return result == LULL_LINK_SET ? prove(s) : result;
}

enum lull_link_result lull_link_setup(const struct lull_link_io *io, const struct lull_link_spec *spec,
	struct lull_link_state *state, char *why, size_t why_size)
{
	struct setup s = {.io = io, .spec = spec, .state = state, .why = why, .why_size = why_size};
	enum lull_link_result result;
	int r;

	if (why_size)
		why[0] = 0;
	memset(state, 0, sizeof *state);
	state->controller = LULL_CONTROLLER_UNKNOWN;
	if (lull_link_spec_check(spec, why, why_size))
		return LULL_LINK_FAILED;
	r = lull_link_query(io, spec->name, state);
	if (r)
		return failed(&s, "looking at it", r);
	if (!state->can) {
		say(&s, "%s is no CAN interface", spec->name);
		return LULL_LINK_NO_CAN;
	}
	/* Nothing to set and nothing that could acknowledge. */
	if (state->simulated)
		return state->up || spec->keep_down ? LULL_LINK_SET : up(&s);
	result = controller(&s);
	if (result != LULL_LINK_SET && result != LULL_LINK_ABSENT && result != LULL_LINK_FORBIDDEN) {
		(void)io->ops->down(io->ctx, spec->name, s.said, sizeof s.said);
		if (lull_link_query(io, spec->name, state))
			state->index = 0;
	}
	return result;
}
