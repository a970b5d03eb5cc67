/* SPDX-License-Identifier: GPL-3.0-or-later */
/* receive: what the receiver process does all night: wait, fetch frames, read clocks, fill the ring. This file calls nothing that
 * could send: tests look at its symbols. */
#include <daemon/receive_impl.h>

#include <errno.h>
#include <linux/can/raw.h>
#include <linux/net_tstamp.h>
#include <linux/sock_diag.h>
#include <lull/frame.h>
#include <poll.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define BUFFER_WANTED (4 << 20)
#define SKB_BYTES 768 /* what the kernel counts for one classical frame */
#define PACE_FIRST (4 * LULL_MS) /* between two looks at a bus that has just begun to talk */
#define PACE_LEAST LULL_MS
#define PACE_MOST (200 * LULL_MS)
#define ANY_STAMPING \
	(SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_SOFTWARE | SOF_TIMESTAMPING_RX_HARDWARE | \
		SOF_TIMESTAMPING_RAW_HARDWARE)

#ifndef SO_MEMINFO
#define SO_MEMINFO 55
#endif

static int64_t clock_ns(clockid_t clock)
{
	struct timespec ts;

	(void)clock_gettime(clock, &ts);
	return (int64_t)ts.tv_sec * LULL_SEC + ts.tv_nsec;
}

/* --- into the ring --- */

static void put(struct lull_receive *r, const struct lull_entry *entry)
{
	lull_ring_put(&r->shared->ring, entry);
	r->wrote = true;
}

/* An entry that is not a frame. False: no room. */
static bool tell(struct lull_receive *r, enum lull_entry_kind kind, unsigned bus, uint32_t id, uint8_t flags, int64_t stamp,
	const void *data, unsigned len)
{
	struct lull_entry *entry = lull_ring_room(&r->shared->ring, len);

	if (!entry)
		return false;
	entry->kind = (uint8_t)kind;
	entry->bus = (uint8_t)bus;
	entry->id = id;
	entry->flags = flags;
	entry->stamp = stamp;
	if (len)
		memcpy(entry->data, data, len);
	put(r, entry);
	return true;
}

static void tell_clock(struct lull_receive *r)
{
	const int64_t boottime = clock_ns(CLOCK_BOOTTIME);

	(void)tell(r, LULL_ENTRY_CLOCK, 0, 0, 0, clock_ns(CLOCK_REALTIME), &boottime, sizeof boottime);
}

/* Frames that the ring had no room for are told as soon as it has. */
static void tell_ring_lost(struct lull_receive *r, unsigned bus)
{
	if (r->ring_lost[bus] &&
		tell(r, LULL_ENTRY_LOST, bus, (uint32_t)r->ring_lost[bus], LULL_LOST_RING, clock_ns(CLOCK_BOOTTIME), NULL, 0))
		r->ring_lost[bus] = 0;
}

static void tell_dropped(struct lull_receive *r, unsigned bus, uint32_t dropped)
{
	struct lull_receive_ear *ear = &r->ear[bus];

	if (dropped != ear->dropped &&
		tell(r, LULL_ENTRY_LOST, bus, dropped - ear->dropped, LULL_LOST_SOCKET, clock_ns(CLOCK_BOOTTIME), NULL, 0))
		ear->dropped = dropped;
}

static void take_frame(struct lull_receive *r, unsigned bus, unsigned at)
{
	struct lull_received got;

	if (!lull_received_read(&r->message[at].msg_hdr, &r->frame[at], r->message[at].msg_len, &got))
		return;
	if (got.dropped_told)
		tell_dropped(r, bus, got.dropped);
	const unsigned own = got.own ? sizeof got.own : 0;
	struct lull_entry *entry = lull_ring_room(&r->shared->ring, own + got.len);

	if (!entry) {
		r->ring_lost[bus]++;
		atomic_fetch_add_explicit(&r->shared->lost_ring, 1, memory_order_relaxed);
		return;
	}
	entry->kind = own ? LULL_ENTRY_FRAME_HW : LULL_ENTRY_FRAME;
	entry->bus = (uint8_t)bus;
	entry->id = got.id;
	entry->flags = got.flags;
	entry->stamp = got.stamp;
	if (own)
		memcpy(entry->data, &got.own, sizeof got.own);
	memcpy(entry->data + own, got.data, got.len);
	lull_ring_put(&r->shared->ring, entry);
}

/* --- sockets --- */

static void shut(struct lull_receive_ear *ear)
{
	if (ear->fd >= 0)
		(void)close(ear->fd);
	ear->fd = -1;
}

static int set(int fd, int level, int name, int value)
{
	return setsockopt(fd, level, name, &value, sizeof value) ? -errno : 0;
}

static int buffer_of(int fd)
{
	int size = 0;
	socklen_t len = sizeof size;

	if (set(fd, SOL_SOCKET, SO_RCVBUFFORCE, BUFFER_WANTED))
		(void)set(fd, SOL_SOCKET, SO_RCVBUF, BUFFER_WANTED);
	return getsockopt(fd, SOL_SOCKET, SO_RCVBUF, &size, &len) ? 0 : size;
}

static int open_socket(int index, int *buffer)
{
	struct sockaddr_can address = {.can_family = AF_CAN, .can_ifindex = index};
	int err = 0, fd = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, CAN_RAW);

	if (fd < 0)
		return -errno;
	if (!err)
		err = set(fd, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, CAN_ERR_MASK);
	if (!err)
		err = set(fd, SOL_SOCKET, SO_TIMESTAMPING, ANY_STAMPING);
	if (!err)
		err = set(fd, SOL_SOCKET, SO_RXQ_OVFL, 1);
	/* A kernel without CAN FD has no FD frames either. */
	(void)set(fd, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, 1);
	*buffer = buffer_of(fd);
	if (!err && bind(fd, (struct sockaddr *)&address, sizeof address))
		err = -errno;
	if (!err)
		return fd;
	(void)close(fd);
	return err;
}

/* What the socket has dropped by now: the count that comes with frames is only known with the next one. */
static void ask_dropped(struct lull_receive *r, unsigned bus)
{
	uint32_t info[SK_MEMINFO_VARS] = {0};
	socklen_t len = sizeof info;

	if (!getsockopt(r->ear[bus].fd, SOL_SOCKET, SO_MEMINFO, info, &len) && len > SK_MEMINFO_DROPS * sizeof(uint32_t))
		tell_dropped(r, bus, info[SK_MEMINFO_DROPS]);
}

static void tell_broken(struct lull_receive *r, unsigned bus, int error)
{
	struct lull_receive_ear *ear = &r->ear[bus];

	(void)tell(r, LULL_ENTRY_BROKEN, bus, ear->generation, 0, clock_ns(CLOCK_BOOTTIME), &error, sizeof error);
	/* A link that is down comes back to the same socket. Without its device a socket stays silent for ever. */
	if (error != ENETDOWN)
		shut(ear);
}

/* All that waits at one socket. Returns how many frames. An error comes before the frames that waited when it happened: they are
 * taken first. */
static unsigned drain(struct lull_receive *r, unsigned bus)
{
	struct lull_receive_ear *ear = &r->ear[bus];
	unsigned sum = 0;
	int broken = 0;

	/* A flood may not keep the other sockets waiting for ever. */
	for (unsigned rounds = 0; rounds < 256; rounds++) {
		for (unsigned i = 0; i < LULL_RECEIVE_AT_ONCE; i++)
			r->message[i].msg_hdr.msg_controllen = sizeof r->control[i];
		const int n = recvmmsg(ear->fd, r->message, LULL_RECEIVE_AT_ONCE, MSG_DONTWAIT, NULL);

		if (n < 0 && !broken && errno != EAGAIN && errno != EINTR) {
			broken = errno;
			continue;
		}
		if (n <= 0)
			break;
		tell_ring_lost(r, bus);
		tell_clock(r);
		for (unsigned i = 0; i < (unsigned)n; i++)
			take_frame(r, bus, i);
		r->wrote = true;
		sum += (unsigned)n;
		if (n < LULL_RECEIVE_AT_ONCE && !broken)
			break;
	}
	if (sum && ear->fd >= 0)
		ask_dropped(r, bus);
	if (broken)
		tell_broken(r, bus, broken);
	return sum;
}

static void follow_wishes(struct lull_receive *r)
{
	for (unsigned i = 0; i < LULL_BUS_MAX; i++) {
		struct lull_receive_ear *ear = &r->ear[i];
		const uint32_t generation = atomic_load_explicit(&r->shared->wanted[i].generation, memory_order_acquire);
		const int index = atomic_load_explicit(&r->shared->wanted[i].index, memory_order_relaxed);
		int answer[2] = {0, 0};

		if (generation == ear->generation)
			continue;
		if (ear->fd >= 0)
			(void)drain(r, i);
		shut(ear);
		ear->generation = generation;
		if (!index)
			continue;
		const int fd = r->open(index, &answer[1]);

		if (fd >= 0) {
			ear->fd = fd;
			ear->dropped = 0;
			ear->room = (unsigned)answer[1] / SKB_BYTES + 1;
		} else {
			answer[0] = fd;
		}
		(void)tell(r, LULL_ENTRY_OPENED, i, generation, 0, clock_ns(CLOCK_BOOTTIME), answer, sizeof answer);
	}
}

/* --- the loop --- */

/* The longest sleep with which no buffer comes near its end, learned from how full they were. */
static void set_pace(struct lull_receive *r, bool any, bool crowded, bool roomy)
{
	if (!any)
		r->pace = 0;
	else if (!r->pace)
		r->pace = PACE_FIRST;
	else if (crowded)
		r->pace = r->pace / 2 > PACE_LEAST ? r->pace / 2 : PACE_LEAST;
	else if (roomy)
		r->pace = 2 * r->pace < PACE_MOST ? 2 * r->pace : PACE_MOST;
}

static void sleep_until_needed(struct lull_receive *r, struct pollfd *fds, unsigned n)
{
	if (!r->pace) {
		(void)poll(fds, n, -1);
		return;
	}
	const struct timespec pace = {.tv_nsec = (long)r->pace};

	/* Only a word from the main process cuts this short; then all sockets are looked at, ready or not. */
	(void)ppoll(fds, 1, &pace, NULL);
	for (unsigned i = 1; i < n; i++)
		fds[i].revents = POLLIN;
}

static void look(struct lull_receive *r, const struct pollfd *fds, const uint8_t *bus, unsigned n)
{
	bool any = false, crowded = false, roomy = true;

	for (unsigned i = 1; i < n; i++) {
		struct lull_receive_ear *ear = &r->ear[bus[i]];

		if (!fds[i].revents || ear->fd < 0)
			continue;
		const unsigned got = drain(r, bus[i]);

		any |= got > 0;
		crowded |= got > ear->room / 2;
		roomy &= got < ear->room / 5;
		atomic_fetch_add_explicit(&r->shared->frames, got, memory_order_relaxed);
	}
	set_pace(r, any, crowded, roomy);
}

static void hear_kick(struct lull_receive *r)
{
	const uint32_t ping = atomic_load_explicit(&r->shared->ping, memory_order_acquire);
	eventfd_t count;

	(void)eventfd_read(r->kick, &count);
	follow_wishes(r);
	for (unsigned i = 0; i < LULL_BUS_MAX; i++) {
		tell_ring_lost(r, i);
		if (r->ear[i].fd >= 0)
			ask_dropped(r, i);
	}
	if (ping != atomic_load_explicit(&r->shared->pong, memory_order_relaxed)) {
		tell_clock(r);
		atomic_store_explicit(&r->shared->pong, ping, memory_order_release);
	}
}

void lull_receive_begin(
	struct lull_receive *r, struct lull_shared *shared, int kick, int news, lull_receive_opener *open)
{
	memset(r, 0, sizeof *r);
	r->shared = shared;
	r->kick = kick;
	r->news = news;
	r->open = open;
	for (unsigned i = 0; i < LULL_BUS_MAX; i++)
		r->ear[i].fd = -1;
	for (unsigned i = 0; i < LULL_RECEIVE_AT_ONCE; i++) {
		r->part[i] = (struct iovec){.iov_base = &r->frame[i], .iov_len = sizeof r->frame[i]};
		r->message[i].msg_hdr =
			(struct msghdr){.msg_iov = &r->part[i], .msg_iovlen = 1, .msg_control = r->control[i]};
	}
}

void lull_receive_turn(struct lull_receive *r)
{
	struct pollfd fds[1 + LULL_BUS_MAX] = {{.fd = r->kick, .events = POLLIN}};
	uint8_t bus[1 + LULL_BUS_MAX] = {0};
	unsigned n = 1;

	for (unsigned i = 0; i < LULL_BUS_MAX; i++) {
		if (r->ear[i].fd < 0)
			continue;
		bus[n] = (uint8_t)i;
		fds[n++] = (struct pollfd){.fd = r->ear[i].fd, .events = POLLIN};
	}
	sleep_until_needed(r, fds, n);
	atomic_fetch_add_explicit(&r->shared->wakeups, 1, memory_order_relaxed);
	look(r, fds, bus, n);
	if (fds[0].revents)
		hear_kick(r);
	if (r->wrote) {
		r->wrote = false;
		(void)eventfd_write(r->news, 1);
	}
}

int lull_receive(struct lull_shared *shared, int kick, int news)
{
	static struct lull_receive receiver;

	lull_receive_begin(&receiver, shared, kick, news, open_socket);
	while (!atomic_load_explicit(&shared->stop, memory_order_acquire))
		lull_receive_turn(&receiver);
	return 0;
}
