/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_search_kernel: the operations of can_search on this kernel. */
#include <source/can_listen.h>
#include <source/can_search.h>

#include <errno.h>

struct listener {
	struct lull_heard *heard;
	uint32_t last_id;
	lull_time last_t;
};

static int take(void *ctx, const struct lull_frame *f)
{
	struct listener *l = ctx;

	lull_heard_frame(l->heard, f, &l->last_id, &l->last_t);
	return 0;
}

static int listen_some(void *ctx, const char *name, int64_t ns, struct lull_heard *heard)
{
	struct listener l = {.heard = heard, .last_id = LULL_ID_NONE, .last_t = LULL_NEVER / 2};
	struct lull_listen_result result;
	const volatile int *const *stop = ctx;
	int r = lull_listen(&name, 1, ns, stop ? *stop : NULL, take, &l, &result);

	heard->ns = ns;
	heard->stopped = result.stopped[0];
	return r;
}

struct lull_search_io lull_search_kernel(void)
{
	return (struct lull_search_io){.link = lull_link_kernel(), .listen = listen_some};
}
