/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_watch: which CAN interfaces there are, and what becomes of them, by rtnetlink. */
#include <source/can_route.h>
#include <source/can_watch.h>

#include <errno.h>
#include <linux/rtnetlink.h>
#include <netlink/msg.h>
#include <netlink/netlink.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

#define ADAPTERS_MOST 64
#define DATAGRAM_MOST 65536
#define LIST_MS 1000 /* the kernel answers at once; this is for one that does not */

struct lull_watch {
	struct nl_sock *sock; /* NULL: messages come from elsewhere */
	int fd;
	struct lull_adapter list[ADAPTERS_MOST];
	bool seen[ADAPTERS_MOST];
	size_t n;
	union {
		struct nlmsghdr head;
		char bytes[DATAGRAM_MOST];
	} buffer;
};

const char *lull_watch_event_name(enum lull_watch_event e)
{
	switch (e) {
	case LULL_WATCH_NEW: return "new";
	case LULL_WATCH_GONE: return "gone";
	case LULL_WATCH_UP: return "up";
	case LULL_WATCH_DOWN: return "down";
	case LULL_WATCH_CHANGED: return "changed";
	case LULL_WATCH_MISSED: break;
	}
	return "missed";
}

static void nobody(void *ctx, enum lull_watch_event e, const struct lull_adapter *a)
{
	(void)ctx;
	(void)e;
	(void)a;
}

static size_t by_index(const struct lull_watch *w, int index)
{
	size_t i;

	for (i = 0; i < w->n && w->list[i].index != index; i++)
		;
	return i;
}

static void describe(const struct lull_watch *w, struct lull_adapter *a)
{
	const struct lull_adapter *other;

	lull_adapter_describe("", a->name, a);
	other = lull_watch_find(w, a->key);
	if (other && other->index != a->index)
		lull_adapter_describe_place("", a->name, a);
}

static void gone(struct lull_watch *w, size_t i, lull_watch_handler *tell, void *ctx)
{
	const struct lull_adapter was = w->list[i];

	w->n--;
	w->list[i] = w->list[w->n];
	w->seen[i] = w->seen[w->n];
	tell(ctx, LULL_WATCH_GONE, &was);
}

static void present(struct lull_watch *w, const struct lull_link_state *s, lull_watch_handler *tell, void *ctx)
{
	size_t i = by_index(w, s->index);
	struct lull_adapter *a = &w->list[i];
	bool was_up;

	if (i == w->n) {
		if (w->n == ADAPTERS_MOST)
			return;
		memset(a, 0, sizeof *a);
		a->index = s->index;
		memcpy(a->name, s->name, sizeof a->name);
		memcpy(a->kind, s->kind, sizeof a->kind);
		a->up = s->up;
		a->running = s->running;
		describe(w, a);
		w->n++;
		w->seen[i] = true;
		tell(ctx, LULL_WATCH_NEW, a);
		if (a->up)
			tell(ctx, LULL_WATCH_UP, a);
		return;
	}
	w->seen[i] = true;
	was_up = a->up;
	a->up = s->up;
	if (strcmp(a->name, s->name) != 0 || a->running != s->running) {
		bool renamed = strcmp(a->name, s->name) != 0;

		memcpy(a->name, s->name, sizeof a->name);
		a->running = s->running;
		if (renamed)
			describe(w, a);
		tell(ctx, LULL_WATCH_CHANGED, a);
	}
	if (was_up != a->up)
		tell(ctx, a->up ? LULL_WATCH_UP : LULL_WATCH_DOWN, a);
}

static void message(struct lull_watch *w, struct nlmsghdr *h, lull_watch_handler *tell, void *ctx)
{
	struct lull_link_state s;
	size_t i;

	if (lull_route_parse(h, &s) || !s.can)
		return;
	if (h->nlmsg_type == RTM_NEWLINK) {
		present(w, &s, tell, ctx);
		return;
	}
	i = by_index(w, s.index);
	if (i < w->n)
		gone(w, i, tell, ctx);
}

/* All of one datagram. True: a list came to its end. */
static bool datagram(struct lull_watch *w, ssize_t n, lull_watch_handler *tell, void *ctx)
{
	struct nlmsghdr *h;
	int left = (int)n;

	for (h = &w->buffer.head; nlmsg_ok(h, left); h = nlmsg_next(h, &left)) {
		if (h->nlmsg_type == NLMSG_DONE || h->nlmsg_type == NLMSG_ERROR)
			return true;
		message(w, h, tell, ctx);
	}
	return false;
}

/* Asks for all links, over a socket of its own so that nothing of the watched one gets in between. */
static int list(struct lull_watch *w, lull_watch_handler *tell, void *ctx)
{
	struct ifinfomsg info = {.ifi_family = AF_UNSPEC};
	struct nl_sock *sock = nl_socket_alloc();
	struct nl_msg *m = nlmsg_alloc_simple(RTM_GETLINK, NLM_F_REQUEST | NLM_F_DUMP);
	int r = -ENOMEM;

	memset(w->seen, 0, sizeof w->seen);
	if (sock && m && nlmsg_append(m, &info, sizeof info, NLMSG_ALIGNTO) >= 0) {
		r = nl_connect(sock, NETLINK_ROUTE) < 0 ? -EIO : 0;
		if (!r) {
			nl_complete_msg(sock, m);
			r = nl_send(sock, m) < 0 ? -EIO : 0;
		}
	}
	while (!r) {
		struct pollfd p = {.fd = nl_socket_get_fd(sock), .events = POLLIN};
		ssize_t n;

		if (poll(&p, 1, LIST_MS) <= 0) {
			r = -ETIMEDOUT;
			break;
		}
		n = recv(p.fd, &w->buffer, sizeof w->buffer, MSG_DONTWAIT);
		if (n < 0 && errno != EINTR && errno != EAGAIN)
			r = -errno;
		else if (n > 0 && datagram(w, n, tell, ctx))
			break;
	}
	nlmsg_free(m);
	nl_socket_free(sock);
	return r;
}

struct lull_watch *lull_watch_open(void)
{
	struct lull_watch *w = calloc(1, sizeof *w);
	int r = -ENOMEM;

	if (w)
		w->sock = nl_socket_alloc();
	if (w && w->sock) {
		nl_socket_disable_seq_check(w->sock);
		r = nl_connect(w->sock, NETLINK_ROUTE) < 0 || nl_socket_set_nonblocking(w->sock) < 0 ||
				    nl_socket_add_memberships(w->sock, RTNLGRP_LINK, 0) < 0
			    ? -EIO
			    : list(w, nobody, NULL);
		w->fd = nl_socket_get_fd(w->sock);
	}
	if (r) {
		lull_watch_close(w);
		errno = -r;
		return NULL;
	}
	return w;
}

struct lull_watch *lull_watch_open_on(int fd)
{
	struct lull_watch *w = calloc(1, sizeof *w);

	if (w)
		w->fd = fd;
	return w;
}

void lull_watch_close(struct lull_watch *w)
{
	if (!w)
		return;
	nl_socket_free(w->sock);
	free(w);
}

int lull_watch_fd(const struct lull_watch *w)
{
	return w->fd;
}

/* Messages were dropped: what is there now, against what was. */
static int again(struct lull_watch *w, lull_watch_handler *tell, void *ctx)
{
	size_t i;
	int r;

	tell(ctx, LULL_WATCH_MISSED, NULL);
	r = list(w, tell, ctx);
	if (r)
		return r;
	for (i = w->n; i-- > 0;) {
		if (!w->seen[i])
			gone(w, i, tell, ctx);
	}
	return 0;
}

int lull_watch_read(struct lull_watch *w, lull_watch_handler *tell, void *ctx)
{
	for (;;) {
		ssize_t n = recv(lull_watch_fd(w), &w->buffer, sizeof w->buffer, MSG_DONTWAIT);
		int r = 0;

		if (n > 0)
			(void)datagram(w, n, tell, ctx);
		else if (n < 0 && errno == ENOBUFS)
			r = again(w, tell, ctx);
		else if (n < 0 && errno == EAGAIN)
			return 0;
		else if (n < 0 && errno != EINTR)
			r = -errno;
		if (r)
			return r;
	}
}

const struct lull_adapter *lull_watch_list(const struct lull_watch *w, size_t *n)
{
	*n = w->n;
	return w->list;
}

const struct lull_adapter *lull_watch_find(const struct lull_watch *w, const char *word)
{
	bool key = strchr(word, ':');
	size_t i;

	for (i = 0; i < w->n; i++) {
		if (!strcmp(key ? w->list[i].key : w->list[i].name, word))
			return &w->list[i];
	}
	return NULL;
}
