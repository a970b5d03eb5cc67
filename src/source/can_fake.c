/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_fake: an adapter that is not there, for tests. */
#include <source/can_fake.h>

#include <errno.h>
#include <linux/can/netlink.h>
#include <stdio.h>
#include <string.h>

struct lull_fake_adapter lull_fake_new(const char *name, bool fd)
{
	struct lull_fake_adapter a = {.shows_errors = true};

	(void)snprintf(a.state.name, sizeof a.state.name, "%s", name);
	(void)snprintf(a.state.kind, sizeof a.state.kind, "can");
	a.state.index = 3;
	a.state.can = a.state.can_do_known = a.state.counted = true;
	a.state.controller = LULL_CONTROLLER_STOPPED;
	a.state.mtu = 16;
	a.state.can_do = CAN_CTRLMODE_LISTENONLY | CAN_CTRLMODE_BERR_REPORTING | CAN_CTRLMODE_LOOPBACK | (fd ? CAN_CTRLMODE_FD : 0);
	return a;
}

static void note(struct lull_fake_adapter *a, char what)
{
	size_t n = strlen(a->log);

	if (n + 1 < sizeof a->log)
		a->log[n] = what;
}

static int query(void *ctx, const char *name, struct lull_link_state *state)
{
	struct lull_fake_adapter *a = ctx;

	note(a, 'q');
	if (a->fail_query)
		return a->fail_query;
	if (!a->state.index || strcmp(name, a->state.name) != 0)
		return -ENODEV;
	*state = a->state;
	return 0;
}

static int fail(const struct lull_fake_adapter *a, int r, char *said, size_t size)
{
	if (r)
		(void)snprintf(said, size, "%s", a->said ? a->said : "");
	return r;
}

static int down(void *ctx, const char *name, char *said, size_t size)
{
	struct lull_fake_adapter *a = ctx;

	(void)name;
	note(a, 'D');
	if (a->fail_down)
		return fail(a, a->fail_down, said, size);
	a->state.up = a->state.running = false;
	a->state.controller = LULL_CONTROLLER_STOPPED;
	return 0;
}

static int set(void *ctx, const struct lull_link_spec *s, uint32_t mask, uint32_t modes, char *said, size_t size)
{
	struct lull_fake_adapter *a = ctx;

	note(a, 'S');
	if (a->fail_set)
		return fail(a, a->fail_set, said, size);
	/* As the kernel does: drivers/net/can/dev/netlink.c, can_changelink(). */
	if (a->state.up)
		return fail(a, -EBUSY, said, size);
	if (modes & mask & ~a->state.can_do)
		return fail(a, -EOPNOTSUPP, said, size);
	if ((a->most_rate && s->bitrate > a->most_rate) || (a->most_fd_rate && s->fd_bitrate > a->most_fd_rate))
		return fail(a, -EINVAL, said, size);
	if (a->ignores_listen_only)
		modes &= ~(uint32_t)CAN_CTRLMODE_LISTENONLY;
	a->state.modes = (a->state.modes & ~mask) | (modes & mask);
	a->state.bitrate = a->other_rate ? a->other_rate : s->bitrate;
	a->state.sample_permille = s->sample_permille ? s->sample_permille : 875;
	a->state.fd_bitrate = s->fd_bitrate;
	a->state.fd_sample_permille = s->fd_bitrate ? 800 : 0;
	a->state.restart_ms = s->restart_ms;
	a->state.mtu = s->fd_bitrate ? 72 : 16;
	return 0;
}

static int up(void *ctx, const char *name, char *said, size_t size)
{
	struct lull_fake_adapter *a = ctx;

	(void)name;
	note(a, 'U');
	if (a->fail_up)
		return fail(a, a->fail_up, said, size);
	if (a->vanishes_on_up) {
		a->state.index = 0;
		return 0;
	}
	if (a->loses_listen_only)
		a->state.modes &= ~(uint32_t)CAN_CTRLMODE_LISTENONLY;
	a->state.up = a->state.running = true;
	a->state.controller = LULL_CONTROLLER_ACTIVE;
	a->acknowledged |= !(a->state.modes & CAN_CTRLMODE_LISTENONLY);
	return 0;
}

struct lull_link_io lull_fake_link(struct lull_fake_adapter *a)
{
	static const struct lull_link_ops ops = {.query = query, .down = down, .set = set, .up = up};

	return (struct lull_link_io){.ops = &ops, .ctx = a};
}

static void errors(struct lull_fake_adapter *a, struct lull_heard *h, uint32_t n)
{
	if (!a->shows_errors)
		return;
	a->state.bus_errors += n;
	h->errors += n;
}

static void frames(struct lull_heard *h, uint32_t n, bool fd, bool lone)
{
	uint32_t i, last = LULL_ID_NONE;
	lull_time last_t = LULL_NEVER / 2;

	for (i = 0; i < n; i++) {
		const struct lull_frame f = {.t = (lull_time)i * (lone ? LULL_MS / 4 : 10 * LULL_MS),
			.id = lone ? 0x123 : 0x100 + i % 7,
			.flags = fd ? LULL_FRAME_FD | LULL_FRAME_BRS : 0};

		lull_heard_frame(h, &f, &last, &last_t);
	}
}

/* Classical frames come through where the arbitration phase is right; FD frames need the data phase too, and are errors to a
 * controller without FD. */
static int listen_some(void *ctx, const char *name, int64_t ns, struct lull_heard *h)
{
	struct lull_fake_adapter *a = ctx;
	uint32_t classical = (uint32_t)(a->classical_per_s * ns / LULL_SEC), fd = (uint32_t)(a->fd_per_s * ns / LULL_SEC);

	(void)name;
	note(a, 'L');
	h->ns = ns;
	if (!a->state.up || !a->state.index) {
		h->stopped = true;
		return 0;
	}
	if (a->stuck_dominant) {
		errors(a, h, 1);
		return 0;
	}
	if (a->state.bitrate != a->bus_rate) {
		errors(a, h, 3 * (classical + fd));
		return 0;
	}
	frames(h, classical, false, a->lone_sender);
	if (fd && a->state.modes & CAN_CTRLMODE_FD && a->state.fd_bitrate == a->bus_fd_rate)
		frames(h, fd, true, false);
	else if (a->state.modes & CAN_CTRLMODE_FD || !a->passes_over_fd)
		errors(a, h, fd);
	return 0;
}

struct lull_search_io lull_fake_search(struct lull_fake_adapter *a)
{
	return (struct lull_search_io){.link = lull_fake_link(a), .ctx = a, .listen = listen_some};
}
