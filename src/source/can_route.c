/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_route: what rtnetlink says of CAN interfaces, and the one request that sets CAN FD up (linux/can/netlink.h). */
#include <source/can_route.h>

#include <errno.h>
#include <linux/can/netlink.h>
#include <linux/if_arp.h>
#include <linux/if_link.h>
#include <linux/rtnetlink.h>
#include <netlink/attr.h>
#include <netlink/msg.h>
#include <netlink/netlink.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>

#define ANSWER_MS 1000
#define ANSWER_MOST 32768 /* bytes of one datagram; a link takes some 2 KiB */

/* A text attribute, cut to fit. */
static void text(const struct nlattr *a, char *out, size_t size)
{
	out[0] = 0;
	if (a)
		(void)snprintf(out, size, "%.*s", (int)strnlen(nla_data(a), (size_t)nla_len(a)), (const char *)nla_data(a));
}

/* A fixed-size attribute; false if it is not there or too short. */
static bool take(const struct nlattr *a, void *out, size_t size)
{
	if (!a || nla_len(a) < (int)size)
		return false;
	memcpy(out, nla_data(a), size);
	return true;
}

static enum lull_controller controller(uint32_t state)
{
	switch ((enum can_state)state) {
	case CAN_STATE_ERROR_ACTIVE: return LULL_CONTROLLER_ACTIVE;
	case CAN_STATE_ERROR_WARNING: return LULL_CONTROLLER_WARNING;
	case CAN_STATE_ERROR_PASSIVE: return LULL_CONTROLLER_PASSIVE;
	case CAN_STATE_BUS_OFF: return LULL_CONTROLLER_BUS_OFF;
	case CAN_STATE_STOPPED: return LULL_CONTROLLER_STOPPED;
	case CAN_STATE_SLEEPING: return LULL_CONTROLLER_SLEEPING;
	case CAN_STATE_MAX: break;
	}
	return LULL_CONTROLLER_UNKNOWN;
}

static void can_data(struct nlattr *nest, struct lull_link_state *s)
{
	struct nlattr *a[IFLA_CAN_MAX + 1], *ext[IFLA_CAN_CTRLMODE_MAX + 1];
	struct can_bittiming timing;
	struct can_ctrlmode mode;
	struct can_berr_counter berr;
	uint32_t value;

	if (nla_parse_nested(a, IFLA_CAN_MAX, nest, NULL) < 0)
		return;
	if (take(a[IFLA_CAN_BITTIMING], &timing, sizeof timing)) {
		s->bitrate = timing.bitrate;
		s->sample_permille = timing.sample_point;
	}
	if (take(a[IFLA_CAN_DATA_BITTIMING], &timing, sizeof timing)) {
		s->fd_bitrate = timing.bitrate;
		s->fd_sample_permille = timing.sample_point;
	}
	if (take(a[IFLA_CAN_CTRLMODE], &mode, sizeof mode))
		s->modes = mode.flags;
	if (take(a[IFLA_CAN_STATE], &value, sizeof value))
		s->controller = controller(value);
	if (take(a[IFLA_CAN_RESTART_MS], &value, sizeof value))
		s->restart_ms = value;
	s->counted = take(a[IFLA_CAN_BERR_COUNTER], &berr, sizeof berr);
	if (s->counted) {
		s->errors_sent = berr.txerr;
		s->errors_received = berr.rxerr;
	}
	if (a[IFLA_CAN_CTRLMODE_EXT] && nla_parse_nested(ext, IFLA_CAN_CTRLMODE_MAX, a[IFLA_CAN_CTRLMODE_EXT], NULL) >= 0)
		s->can_do_known = take(ext[IFLA_CAN_CTRLMODE_SUPPORTED], &s->can_do, sizeof s->can_do);
}

static void link_info(struct nlattr *nest, struct lull_link_state *s)
{
	struct nlattr *a[IFLA_INFO_MAX + 1];
	struct can_device_stats counts;

	if (nla_parse_nested(a, IFLA_INFO_MAX, nest, NULL) < 0)
		return;
	text(a[IFLA_INFO_KIND], s->kind, sizeof s->kind);
	s->simulated = !strcmp(s->kind, "vcan") || !strcmp(s->kind, "vxcan");
	if (a[IFLA_INFO_DATA] && !strcmp(s->kind, "can"))
		can_data(a[IFLA_INFO_DATA], s);
	if (take(a[IFLA_INFO_XSTATS], &counts, sizeof counts) && !strcmp(s->kind, "can")) {
		s->bus_errors = counts.bus_error;
		s->to_warning = counts.error_warning;
		s->to_passive = counts.error_passive;
		s->to_bus_off = counts.bus_off;
	}
}

int lull_route_parse(struct nlmsghdr *h, struct lull_link_state *s)
{
	struct nlattr *a[IFLA_MAX + 1];
	struct rtnl_link_stats64 counts;
	const struct ifinfomsg *info;

	memset(s, 0, sizeof *s);
	s->controller = LULL_CONTROLLER_UNKNOWN;
	if ((h->nlmsg_type != RTM_NEWLINK && h->nlmsg_type != RTM_DELLINK) ||
		h->nlmsg_len < NLMSG_LENGTH(sizeof *info))
		return -EBADMSG;
	info = NLMSG_DATA(h);
	if (nlmsg_parse(h, (int)sizeof *info, a, IFLA_MAX, NULL) < 0)
		return -EBADMSG;
	text(a[IFLA_IFNAME], s->name, sizeof s->name);
	s->index = info->ifi_index;
	s->can = info->ifi_type == ARPHRD_CAN;
	s->up = info->ifi_flags & IFF_UP;
	s->running = info->ifi_flags & IFF_RUNNING;
	(void)take(a[IFLA_MTU], &s->mtu, sizeof s->mtu);
	if (a[IFLA_LINKINFO])
		link_info(a[IFLA_LINKINFO], s);
	/* Older kernels send a shorter set of counters; those we read stand at its beginning. */
	memset(&counts, 0, sizeof counts);
	if (a[IFLA_STATS64]) {
		size_t n = (size_t)nla_len(a[IFLA_STATS64]);

		memcpy(&counts, nla_data(a[IFLA_STATS64]), n < sizeof counts ? n : sizeof counts);
	}
	s->frames_received = counts.rx_packets;
	s->frames_sent = counts.tx_packets;
	s->frames_lost = counts.rx_dropped + counts.rx_over_errors + counts.rx_missed_errors;
	return 0;
}

/* Waits for the answer to one request. 0: *state is filled (where given) or the request was acknowledged. */
static int answer(int fd, uint32_t sequence, struct lull_link_state *state)
{
	union {
		struct nlmsghdr head;
		char bytes[ANSWER_MOST];
	} buffer;
	struct timespec t;
	int64_t until, now;

	(void)clock_gettime(CLOCK_MONOTONIC, &t);
	until = (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000 + ANSWER_MS;
	for (;;) {
		struct pollfd p = {.fd = fd, .events = POLLIN};
		struct nlmsghdr *h;
		ssize_t n;
		int left;

		(void)clock_gettime(CLOCK_MONOTONIC, &t);
		now = (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
		if (now >= until)
			return -ETIMEDOUT;
		if (poll(&p, 1, (int)(until - now)) <= 0)
			continue;
		n = recv(fd, &buffer, sizeof buffer, MSG_DONTWAIT);
		if (n < 0 && (errno == EAGAIN || errno == EINTR))
			continue;
		if (n < 0)
			return -errno;
		left = (int)n;
		for (h = &buffer.head; nlmsg_ok(h, left); h = nlmsg_next(h, &left)) {
			const struct nlmsgerr *e = NLMSG_DATA(h);

			if (h->nlmsg_seq != sequence)
				continue;
			/* Our own message is answered by its error, or by a zero. */
			if (h->nlmsg_type == NLMSG_ERROR && h->nlmsg_len >= NLMSG_LENGTH(sizeof e->error))
				return e->error;
			if (h->nlmsg_type == RTM_NEWLINK && state)
				return lull_route_parse(h, state);
		}
	}
}

/* Sends the message and frees it. */
static int ask(struct nl_msg *m, struct lull_link_state *state)
{
	struct nl_sock *sock = m ? nl_socket_alloc() : NULL;
	int r = -ENOMEM;

	if (sock && nl_connect(sock, NETLINK_ROUTE) < 0)
		r = -EIO;
	else if (sock) {
		nl_complete_msg(sock, m);
		r = nl_send(sock, m) < 0 ? -EIO : answer(nl_socket_get_fd(sock), nlmsg_hdr(m)->nlmsg_seq, state);
	}
	nl_socket_free(sock);
	nlmsg_free(m);
	return r;
}

/* A request that names its interface; NULL: out of memory. */
static struct nl_msg *request(int type, int flags, const char *name)
{
	struct ifinfomsg info = {.ifi_family = AF_UNSPEC};
	struct nl_msg *m = nlmsg_alloc_simple(type, flags);

	if (m && (nlmsg_append(m, &info, sizeof info, NLMSG_ALIGNTO) < 0 ||
			 nla_put_string(m, IFLA_IFNAME, name) < 0)) {
		nlmsg_free(m);
		m = NULL;
	}
	return m;
}

int lull_route_query(const char *name, struct lull_link_state *state)
{
	int r = ask(request(RTM_GETLINK, NLM_F_REQUEST, name), state);

	/* Kernels differ in what they call a name that is none. */
	return r == -EINVAL ? -ENODEV : r;
}

static int put_fd(struct nl_msg *m, const struct lull_link_spec *s, uint32_t mask, uint32_t modes, bool restart)
{
	const struct can_bittiming nominal = {.bitrate = s->bitrate, .sample_point = s->sample_permille};
	const struct can_bittiming data = {.bitrate = s->fd_bitrate, .sample_point = s->fd_sample_permille};
	const struct can_ctrlmode mode = {.mask = mask, .flags = modes};
	struct nlattr *info = nla_nest_start(m, IFLA_LINKINFO), *nest;

	if (!info || nla_put_string(m, IFLA_INFO_KIND, "can") < 0)
		return -ENOMEM;
	nest = nla_nest_start(m, IFLA_INFO_DATA);
	if (!nest || nla_put(m, IFLA_CAN_BITTIMING, sizeof nominal, &nominal) < 0 ||
		nla_put(m, IFLA_CAN_CTRLMODE, sizeof mode, &mode) < 0 ||
		nla_put(m, IFLA_CAN_DATA_BITTIMING, sizeof data, &data) < 0 ||
		(restart && nla_put_u32(m, IFLA_CAN_RESTART_MS, s->restart_ms) < 0))
		return -ENOMEM;
	nla_nest_end(m, nest);
	nla_nest_end(m, info);
	return 0;
}

int lull_route_set_fd(const struct lull_link_spec *s, uint32_t mask, uint32_t modes, bool restart)
{
	struct nl_msg *m = request(RTM_NEWLINK, NLM_F_REQUEST | NLM_F_ACK, s->name);

	if (m && put_fd(m, s, mask, modes, restart)) {
		nlmsg_free(m);
		m = NULL;
	}
	return ask(m, NULL);
}
