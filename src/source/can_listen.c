/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_listen: some seconds of listening at CAN interfaces. Receives only: no symbol that could send may appear here. */
#include <source/can_listen.h>

#include <errno.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define BUFFER_BYTES (1 << 20)

static lull_time clock_ns(clockid_t clock)
{
	struct timespec t;

	(void)clock_gettime(clock, &t);
	return t.tv_sec * LULL_SEC + t.tv_nsec;
}

static lull_time now_ns(void)
{
	return clock_ns(CLOCK_BOOTTIME);
}

static int open_socket(const char *name, int *receive_buffer)
{
	const can_err_mask_t errors = CAN_ERR_MASK;
	struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(name)};
	const int on = 1, off = 0;
	int bytes = BUFFER_BYTES, fd, e;
	socklen_t size = sizeof bytes;

	if (!address.can_ifindex)
		return -ENODEV;
	fd = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, CAN_RAW);
	if (fd < 0)
		return -errno;
	/* FD and the count of losses are missing on old kernels only; a look at the bus does without. */
	(void)setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof on);
	(void)setsockopt(fd, SOL_CAN_RAW, CAN_RAW_LOOPBACK, &off, sizeof off);
	(void)setsockopt(fd, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on);
	(void)setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof on);
	if (setsockopt(fd, SOL_SOCKET, SO_RCVBUFFORCE, &bytes, sizeof bytes))
		(void)setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &bytes, sizeof bytes);
	if (!getsockopt(fd, SOL_SOCKET, SO_RCVBUF, &bytes, &size))
		*receive_buffer = bytes;
	if (!setsockopt(fd, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &errors, sizeof errors) &&
		!bind(fd, (const struct sockaddr *)&address, sizeof address))
		return fd;
	e = errno;
	(void)close(fd);
	return -e;
}

/* False: neither a classical nor an FD frame. */
static bool convert(const struct canfd_frame *in, size_t n, struct lull_frame *out)
{
	if ((n != CAN_MTU && n != CANFD_MTU) || in->len > (n == CAN_MTU ? CAN_MAX_DLEN : CANFD_MAX_DLEN))
		return false;
	out->flags = 0;
	out->len = in->len;
	if (n == CANFD_MTU)
		out->flags = (uint8_t)(LULL_FRAME_FD | (in->flags & CANFD_BRS ? LULL_FRAME_BRS : 0) |
			(in->flags & CANFD_ESI ? LULL_FRAME_ESI : 0));
	if (in->can_id & CAN_ERR_FLAG) {
		out->flags = LULL_FRAME_ERROR;
		out->id = in->can_id & CAN_ERR_MASK;
	} else if (in->can_id & CAN_EFF_FLAG) {
		out->id = (in->can_id & CAN_EFF_MASK) | LULL_ID_EXTENDED;
	} else {
		out->id = in->can_id & CAN_SFF_MASK;
	}
	if (in->can_id & CAN_RTR_FLAG && !(out->flags & LULL_FRAME_ERROR))
		out->flags |= LULL_FRAME_REMOTE;
	else
		memcpy(out->data, in->data, in->len);
	return true;
}

/* The kernel's stamp, on the wall clock, by what that is ahead of ours now; and the count of losses. */
static void take_control(struct msghdr *m, lull_time *t, uint64_t *lost)
{
	lull_time now = now_ns();
	struct cmsghdr *c;

	*t = now;
	for (c = CMSG_FIRSTHDR(m); c; c = CMSG_NXTHDR(m, c)) {
		uint32_t count;

		if (c->cmsg_level == SOL_SOCKET && c->cmsg_type == SO_RXQ_OVFL && c->cmsg_len >= CMSG_LEN(sizeof count)) {
			memcpy(&count, CMSG_DATA(c), sizeof count);
			*lost = count;
		}
		if (c->cmsg_level == SOL_SOCKET && c->cmsg_type == SCM_TIMESTAMPNS && c->cmsg_len >= CMSG_LEN(sizeof(struct timespec))) {
			struct timespec stamp;
			lull_time at;

			memcpy(&stamp, CMSG_DATA(c), sizeof stamp);
			at = stamp.tv_sec * LULL_SEC + stamp.tv_nsec + now - clock_ns(CLOCK_REALTIME);
			/* Neither to come nor long past: the clock was set meanwhile. */
			if (at <= now && now - at < 10 * LULL_SEC)
				*t = at;
		}
	}
}

/* What waits on one socket: 0, or the handler's value. *ended: link down or adapter gone. */
static int drain(int fd, unsigned bus, lull_listen_handler *handler, void *ctx, uint64_t *lost, bool *ended)
{
	for (;;) {
		struct canfd_frame in;
		union {
			struct cmsghdr head;
			char bytes[256];
		} control;
		struct iovec part = {.iov_base = &in, .iov_len = sizeof in};
		struct msghdr m = {.msg_iov = &part, .msg_iovlen = 1, .msg_control = &control, .msg_controllen = sizeof control};
		struct lull_frame out;
		ssize_t n = recvmsg(fd, &m, MSG_DONTWAIT);
		int r;

		if (n < 0 && errno == EINTR)
			continue;
		if (n < 0) {
			*ended = errno != EAGAIN;
			return 0;
		}
		take_control(&m, &out.t, lost);
		if (!convert(&in, (size_t)n, &out))
			continue;
		out.bus = (uint8_t)bus;
		r = handler(ctx, &out);
		if (r)
			return r;
	}
}

int lull_listen(const char *const *names, size_t n, int64_t ns, const volatile int *stop, lull_listen_handler *handler, void *ctx,
	struct lull_listen_result *result)
{
	struct pollfd p[LULL_LISTEN_MAX];
	lull_time until;
	size_t i, opened = 0, open_now;
	int r = 0;

	memset(result, 0, sizeof *result);
	if (n > LULL_LISTEN_MAX)
		return -E2BIG;
	for (i = 0; i < n && !r; i++) {
		int fd = open_socket(names[i], &result->receive_buffer);

		if (fd < 0)
			r = fd;
		else
			p[opened++] = (struct pollfd){.fd = fd, .events = POLLIN};
	}
	until = now_ns() + ns;
	open_now = opened;
	while (!r && open_now) {
		lull_time left = until - now_ns();
		int ready;

		if (left <= 0)
			break;
		if (stop && *stop) {
			r = -EINTR;
			break;
		}
		ready = poll(p, (nfds_t)opened, left > 200 * LULL_MS ? 200 : (int)(left / LULL_MS) + 1);
		for (i = 0; ready > 0 && i < opened && !r; i++) {
			bool ended = false;

			if (p[i].fd < 0 || !p[i].revents)
				continue;
			r = drain(p[i].fd, (unsigned)i, handler, ctx, &result->lost[i], &ended);
			if (ended) {
				result->stopped[i] = true;
				(void)close(p[i].fd);
				p[i].fd = -1;
				open_now--;
			}
		}
	}
	for (i = 0; i < opened; i++) {
		if (p[i].fd >= 0)
			(void)close(p[i].fd);
	}
	return r;
}
