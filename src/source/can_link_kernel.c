/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_link_kernel: the operations of can_link on this kernel. Classical set-up is libsocketcan's, in a guarded process; what
 * it lacks (the data phase of CAN FD, in the same request as all else) and every look at an interface go over rtnetlink,
 * which we wait for no longer than a second. */
#include <source/can_guard.h>
#include <source/can_link.h>
#include <source/can_route.h>

#include <errno.h>
#include <libsocketcan.h>
#include <stdio.h>
#include <string.h>

#define STEP_MS 5000 /* a slow USB adapter takes a second to open */

static int query(void *ctx, const char *name, struct lull_link_state *state)
{
	(void)ctx;
	return lull_route_query(name, state);
}

/* libsocketcan says why on stderr only: "RTNETLINK answers: Operation not supported". */
static int told_errno(const char *said)
{
	static const int known[] = {EPERM, EOPNOTSUPP, EBUSY, EINVAL, ERANGE, EDOM, ENODEV, ENETDOWN, ENOMEM, EIO, EACCES};
	size_t i;

	for (i = 0; i < sizeof known / sizeof known[0]; i++) {
		if (strstr(said, strerror(known[i])))
			return -known[i];
	}
	return -EIO;
}

/* One line, without the end of it. */
static void tidy(char *said)
{
	said[strcspn(said, "\r\n")] = 0;
}

static int guarded(int (*work)(const void *), const void *arg, char *said, size_t size)
{
	int r = lull_guard_run(work, arg, STEP_MS, said, size);

	if (r == -EIO)
		r = told_errno(said);
	tidy(said);
	return r;
}

static int stop(const void *name)
{
	return can_do_stop(name) ? -EIO : 0;
}

static int start(const void *name)
{
	return can_do_start(name) ? -EIO : 0;
}

static int down(void *ctx, const char *name, char *said, size_t size)
{
	(void)ctx;
	return guarded(stop, name, said, size);
}

static int up(void *ctx, const char *name, char *said, size_t size)
{
	(void)ctx;
	return guarded(start, name, said, size);
}

struct classical {
	const struct lull_link_spec *spec;
	struct can_ctrlmode mode;
	bool restart;
};

static int classical(const void *arg)
{
	const struct classical *c = arg;
	const struct lull_link_spec *s = c->spec;
	struct can_ctrlmode mode = c->mode;

	if (s->sample_permille ? can_set_bitrate_samplepoint(s->name, s->bitrate, s->sample_permille)
			       : can_set_bitrate(s->name, s->bitrate))
		return -EIO;
	if (can_set_ctrlmode(s->name, &mode))
		return -EIO;
	return c->restart && can_set_restart_ms(s->name, s->restart_ms) ? -EIO : 0;
}

static int set(void *ctx, const struct lull_link_spec *spec, uint32_t mask, uint32_t modes, char *said, size_t size)
{
	struct classical c = {.spec = spec, .mode = {.mask = mask, .flags = modes}};
	struct lull_link_state now;
	int r;

	(void)ctx;
	r = lull_route_query(spec->name, &now);
	if (r)
		return r;
	/* Drivers without a way to restart refuse even a zero. */
	c.restart = now.restart_ms != spec->restart_ms;
	if (spec->fd_bitrate)
		return lull_route_set_fd(spec, mask, modes, c.restart);
	return guarded(classical, &c, said, size);
}

struct lull_link_io lull_link_kernel(void)
{
	static const struct lull_link_ops ops = {.query = query, .down = down, .set = set, .up = up};

	return (struct lull_link_io){.ops = &ops};
}
