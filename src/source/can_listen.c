/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_listen: some seconds of listening at CAN interfaces, in a process of its own, which only listens: no symbol that could send may appear
 * here, and no call that could is left to it. */
#include <source/can_confine.h>
#include <source/can_listen.h>
#include <source/ring.h>

#include <errno.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <sys/pidfd.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define BUFFER_BYTES (1 << 20)
#define RING_BITRATE 1000000 /* of each bus */
#define RING_SECONDS 5
#define STOP_MS 200 /* so often a wish to stop is looked at */

/* What both processes share; the ring lies behind it. */
struct shared {
	struct lull_listen_result result; /* the parent reads it once the listener has ended */
	int error; /* why it ended: 0 or -errno */
	_Alignas(64) struct lull_ring ring; /* of frames, stamped with CLOCK_BOOTTIME */
};

/* The listener's own. */
struct hearing {
	struct shared *shared;
	struct pollfd at[LULL_LISTEN_MAX];
	size_t n;
	int news; /* eventfd: frames are in the ring */
};

/* --- the process that listens --- */

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

static int open_socket(int index, int *receive_buffer)
{
	const can_err_mask_t errors = CAN_ERR_MASK;
	struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = index};
	const int on = 1, off = 0;
	int bytes = BUFFER_BYTES, fd, e;
	socklen_t size = sizeof bytes;

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

static void put(struct hearing *h, unsigned bus, const struct lull_frame *f)
{
	struct lull_entry *entry = lull_ring_room(&h->shared->ring, f->len);

	if (!entry) {
		h->shared->result.lost[bus]++;
		return;
	}
	entry->kind = LULL_ENTRY_FRAME;
	entry->bus = (uint8_t)bus;
	entry->id = f->id;
	entry->flags = f->flags;
	entry->stamp = f->t;
	if (!(f->flags & LULL_FRAME_REMOTE)) /* has a length and no data */
		memcpy(entry->data, f->data, f->len);
	lull_ring_put(&h->shared->ring, entry);
}

/* What waits on one socket. False: link down or adapter gone. */
static bool drain(struct hearing *h, unsigned bus, uint64_t *dropped)
{
	for (;;) {
		struct canfd_frame in;
		union {
			struct cmsghdr head;
			char bytes[256];
		} control;
		struct iovec part = {.iov_base = &in, .iov_len = sizeof in};
		struct mmsghdr m = {
			.msg_hdr = {.msg_iov = &part, .msg_iovlen = 1, .msg_control = &control, .msg_controllen = sizeof control}};
		struct lull_frame out;

		if (recvmmsg(h->at[bus].fd, &m, 1, MSG_DONTWAIT, NULL) != 1) {
			if (errno == EINTR)
				continue;
			return errno == EAGAIN;
		}
		take_control(&m.msg_hdr, &out.t, dropped);
		if (convert(&in, m.msg_len, &out))
			put(h, bus, &out);
	}
}

static void hear(struct hearing *h, lull_time until)
{
	uint64_t dropped[LULL_LISTEN_MAX] = {0};
	size_t open_now = h->n;
	lull_time left;

	while (open_now && (left = until - now_ns()) > 0) {
		const int ready = poll(h->at, (nfds_t)h->n, left > STOP_MS * LULL_MS ? STOP_MS : (int)(left / LULL_MS) + 1);

		for (unsigned i = 0; ready > 0 && i < h->n; i++) {
			if (h->at[i].fd < 0 || !h->at[i].revents || drain(h, i, &dropped[i]))
				continue;
			h->shared->result.stopped[i] = true;
			(void)close(h->at[i].fd);
			h->at[i].fd = -1;
			open_now--;
		}
		if (ready > 0)
			(void)eventfd_write(h->news, 1);
	}
	for (size_t i = 0; i < h->n; i++)
		h->shared->result.lost[i] += dropped[i];
}

/* The listener's life. Nothing of its parent's stays open; the sockets are opened under the filter. */
static int listener(struct shared *shared, const int *index, size_t n, lull_time until, int news, pid_t parent)
{
	struct hearing h = {.shared = shared, .news = news};

	(void)prctl(PR_SET_PDEATHSIG, SIGKILL);
	if (getppid() != parent)
		return -ESRCH;
	if (news > 0)
		(void)close_range(0, (unsigned)news - 1, 0);
	(void)close_range((unsigned)news + 1, ~0u, 0);
	int r = lull_can_confine(-1, &h.news);

	for (size_t i = 0; i < n && !r; i++) {
		const int fd = open_socket(index[i], &shared->result.receive_buffer);

		if (fd < 0)
			r = fd;
		else
			h.at[h.n++] = (struct pollfd){.fd = fd, .events = POLLIN};
	}
	if (!r)
		hear(&h, until);
	return r;
}

/* --- its parent --- */

/* 0, the handler's value, or -errno. */
static int take_frames(struct shared *shared, lull_listen_handler *handler, void *ctx)
{
	const struct lull_entry *entry;
	int r = 0;

	while (!r && (entry = lull_ring_peek(&shared->ring, &r))) {
		struct lull_frame f = {.t = entry->stamp, .id = entry->id, .bus = entry->bus, .flags = entry->flags, .len = entry->len};

		if (entry->kind == LULL_ENTRY_FRAME && f.bus < LULL_LISTEN_MAX && f.len <= sizeof f.data) {
			memcpy(f.data, entry->data, f.len);
			r = handler(ctx, &f);
		}
		lull_ring_take(&shared->ring, entry);
	}
	return r;
}

/* Until it ends by itself, or is to be ended. */
static int attend(struct shared *shared, int news, int process, const volatile int *stop, lull_listen_handler *handler, void *ctx)
{
	struct pollfd fd[2] = {{.fd = news, .events = POLLIN}, {.fd = process, .events = POLLIN}};
	eventfd_t count;
	int r = 0;

	while (!r) {
		if (stop && *stop)
			return -EINTR;
		if (poll(fd, 2, STOP_MS) < 0 && errno != EINTR)
			return -errno;
		const bool ended = fd[1].revents != 0;

		(void)eventfd_read(news, &count);
		r = take_frames(shared, handler, ctx);
		if (ended)
			break;
	}
	return r;
}

static int run(struct shared *shared, const int *index, size_t n, int64_t ns, int news, const volatile int *stop, lull_listen_handler *handler,
	void *ctx)
{
	const lull_time until = now_ns() + ns;
	const pid_t parent = getpid(), pid = fork();
	int status = 0, r;

	if (pid < 0)
		return -errno;
	if (!pid) {
		shared->error = listener(shared, index, n, until, news, parent);
		_exit(0);
	}
	const int process = pidfd_open(pid, 0);

	r = process < 0 ? -errno : attend(shared, news, process, stop, handler, ctx);
	(void)kill(pid, SIGKILL);
	while (waitpid(pid, &status, 0) < 0 && errno == EINTR)
		;
	if (process >= 0)
		(void)close(process);
	if (!r && WIFSIGNALED(status) && WTERMSIG(status) != SIGKILL)
		r = -EPERM; /* the filter ended it */
	return r ? r : shared->error;
}

int lull_listen(const char *const *names, size_t n, int64_t ns, const volatile int *stop, lull_listen_handler *handler, void *ctx,
	struct lull_listen_result *result)
{
	const size_t ring = lull_ring_bytes(n * RING_BITRATE, RING_SECONDS), size = sizeof(struct shared) + ring;
	int index[LULL_LISTEN_MAX], r;

	memset(result, 0, sizeof *result);
	if (n > LULL_LISTEN_MAX)
		return -E2BIG;
	for (size_t i = 0; i < n; i++)
		if (!(index[i] = (int)if_nametoindex(names[i])))
			return -ENODEV;
	struct shared *shared = mmap(NULL, size, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);

	if (shared == MAP_FAILED)
		return -errno;
	lull_ring_init(&shared->ring, ring);
	const int news = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);

	r = news < 0 ? -errno : run(shared, index, n, ns, news, stop, handler, ctx);
	*result = shared->result;
	if (news >= 0)
		(void)close(news);
	(void)munmap(shared, size);
	return r;
}
