/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_receive: what the receiver makes of the messages of its sockets, which are pairs of this process here. */
#include <daemon/receive_impl.h>
#include <lull/frame.h>

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <poll.h>
#include <pthread.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>
#include <cmocka.h>

/* --- one message --- */

static void frames_of_every_kind(void **state)
{
	static const struct {
		uint32_t can_id;
		uint8_t len, can_flags;
		unsigned bytes;
		int message_flags;
		/* What comes of it; bytes 0: nothing. */
		uint32_t id;
		uint8_t flags, got_len;
	} cases[] = {
		{0x123, 8, 0, CAN_MTU, 0, 0x123, 0, 8},
		{0x7ff, 0, 0, CAN_MTU, MSG_DONTROUTE, 0x7ff, LULL_ENTRY_LOCAL, 0},
		/* Bits above those of a standard ID are no part of it. */
		{0x12345 | 0x123, 1, 0, CAN_MTU, 0, (0x12345 | 0x123) & 0x7ff, 0, 1},
		{0x18fef100 | CAN_EFF_FLAG, 3, 0, CAN_MTU, 0, 0x18fef100 | LULL_ID_EXTENDED, 0, 3},
		{0x7df | CAN_RTR_FLAG, 4, 0, CAN_MTU, 0, 0x7df, LULL_FRAME_REMOTE, 4},
		{CAN_ERR_FLAG | 0x20000040, 8, 0, CAN_MTU, 0, 0x40, LULL_FRAME_ERROR, 8},
		/* An error frame has no remote bit, whatever stands there. */
		{CAN_ERR_FLAG | CAN_RTR_FLAG | 4, 8, 0, CAN_MTU, 0, 4, LULL_FRAME_ERROR, 8},
		{0x321, 64, CANFD_BRS | CANFD_ESI, CANFD_MTU, 0, 0x321,
			LULL_FRAME_FD | LULL_FRAME_BRS | LULL_FRAME_ESI, 64},
		{0x321, 12, 0, CANFD_MTU, 0, 0x321, LULL_FRAME_FD, 12},
		/* Lengths that no frame has. */
		{0x123, 9, 0, CAN_MTU, 0, 0x123, 0, 0},
		{0x321, 65, 0, CANFD_MTU, 0, 0x321, LULL_FRAME_FD, 0},
		/* Flags of a classical frame are padding. */
		{0x123, 8, CANFD_BRS, CAN_MTU, 0, 0x123, 0, 8},
	};
	static const unsigned odd[] = {0, 1, CAN_MTU - 1, CAN_MTU + 1, CANFD_MTU - 1, CANFD_MTU + 1};

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		const struct canfd_frame f = {.can_id = cases[i].can_id,
			.len = cases[i].len,
			.flags = cases[i].can_flags,
			.data = {5, 6}};
		struct msghdr header = {.msg_flags = cases[i].message_flags};
		struct lull_received got;

		assert_true(lull_received_read(&header, &f, cases[i].bytes, &got));
		assert_int_equal(got.id, cases[i].id);
		assert_int_equal(got.flags, cases[i].flags);
		assert_int_equal(got.len, cases[i].got_len);
		assert_ptr_equal(got.data, f.data);
		assert_true(!got.stamp && !got.own && !got.dropped_told);
	}
	for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++) {
		const struct canfd_frame f = {.can_id = 0x123};
		struct msghdr header = {0};
		struct lull_received got;

		assert_false(lull_received_read(&header, &f, odd[i], &got));
	}
}

static _Alignas(struct cmsghdr) uint8_t control[512];
static size_t control_used;

static void add_control(int level, int type, const void *data, size_t n)
{
	struct cmsghdr *c = (struct cmsghdr *)(void *)(control + control_used);

	c->cmsg_level = level;
	c->cmsg_type = type;
	c->cmsg_len = CMSG_LEN(n);
	memcpy(CMSG_DATA(c), data, n);
	control_used += CMSG_SPACE(n);
}

static struct lull_received with_control(void)
{
	const struct canfd_frame f = {.can_id = 0x123, .len = 1};
	struct msghdr header = {.msg_control = control, .msg_controllen = control_used};
	struct lull_received got;

	assert_true(lull_received_read(&header, &f, CAN_MTU, &got));
	control_used = 0;
	return got;
}

/* Types by include/uapi/asm-generic/socket.h of Linux: 37 SO_TIMESTAMPING_OLD, 65 SO_TIMESTAMPING_NEW; 40 SO_RXQ_OVFL. */
static void stamps_of_both_widths(void **state)
{
	const int64_t wide[6] = {1772750000, 5, 0, 0, 17, 999999999};
	const long narrow[6] = {1772750001, 6, 0, 0, 0, 0};
	const uint32_t dropped = 4000000000u;
	struct lull_received got;

	(void)state;
	add_control(SOL_SOCKET, 65, wide, sizeof wide);
	add_control(SOL_SOCKET, 40, &dropped, sizeof dropped);
	got = with_control();
	assert_true(got.stamp == INT64_C(1772750000000000005));
	assert_true(got.own == INT64_C(17999999999));
	assert_true(got.dropped_told);
	assert_true(got.dropped == dropped);
	add_control(SOL_SOCKET, 37, narrow, sizeof narrow);
	got = with_control();
	assert_true(got.stamp == INT64_C(1772750001000000006));
	assert_true(got.own == 0);
	/* Another level, another type, and pieces that are too short for what they say they are. */
	add_control(SOL_SOCKET + 1, 65, wide, sizeof wide);
	add_control(SOL_SOCKET, 99, wide, sizeof wide);
	add_control(SOL_SOCKET, 65, wide, sizeof wide - 1);
	add_control(SOL_SOCKET, 37, narrow, sizeof narrow - 1);
	add_control(SOL_SOCKET, 40, &dropped, sizeof dropped - 1);
	got = with_control();
	assert_true(!got.stamp && !got.own && !got.dropped_told);
}

/* --- the loop, turn by turn --- */

#define BUFFER (768 * 10) /* room for 11 frames, by the receiver's reckoning */

static struct lull_receive *receive;
static struct lull_shared *shared;
static int kick, news, other_end, opened_index, open_error, open_fd;

/* The other end of what the receiver reads stays here. */
static int open_pair(int index, int *buffer)
{
	int pair[2];

	opened_index = index;
	*buffer = BUFFER;
	if (open_error)
		return open_error;
	if (open_fd >= 0)
		return open_fd;
	assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0, pair), 0);
	other_end = pair[1];
	return pair[0];
}

static void begin_with(size_t ring)
{
	shared = aligned_alloc(64, sizeof *shared + ring);
	receive = calloc(1, sizeof *receive);
	assert_non_null(shared);
	assert_non_null(receive);
	memset(shared, 0, sizeof *shared + ring);
	lull_ring_init(&shared->ring, ring);
	kick = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
	news = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
	other_end = -1;
	open_error = 0;
	open_fd = -1;
	lull_receive_begin(receive, shared, kick, news, open_pair);
}

static int set_up(void **state)
{
	(void)state;
	begin_with(1 << 16);
	return 0;
}

static int tear_down(void **state)
{
	(void)state;
	for (unsigned i = 0; i < LULL_BUS_MAX; i++)
		if (receive->ear[i].fd >= 0)
			(void)close(receive->ear[i].fd);
	if (other_end >= 0)
		(void)close(other_end);
	(void)close(kick);
	(void)close(news);
	free(receive);
	free(shared);
	return 0;
}

/* A turn that does not sleep, whatever the pace. */
static void turn(void)
{
	assert_int_equal(eventfd_write(kick, 1), 0);
	lull_receive_turn(receive);
}

static void wish(unsigned bus, int index)
{
	atomic_store(&shared->wanted[bus].index, index);
	atomic_fetch_add(&shared->wanted[bus].generation, 1);
	turn();
}

/* The next entry that is no clock, copied; kind LULL_ENTRY_SKIP: none. */
static struct lull_entry got_head;
static uint8_t got_data[LULL_ENTRY_DATA];
static unsigned clocks;

static enum lull_entry_kind next(void)
{
	int err;
	const struct lull_entry *entry;

	while ((entry = lull_ring_peek(&shared->ring, &err))) {
		memset(got_data, 0, sizeof got_data);
		memcpy(&got_head, entry, LULL_ENTRY_HEAD);
		memcpy(got_data, entry->data, entry->len);
		lull_ring_take(&shared->ring, entry);
		if (got_head.kind != LULL_ENTRY_CLOCK)
			return (enum lull_entry_kind)got_head.kind;
		clocks++;
	}
	assert_int_equal(err, 0);
	return LULL_ENTRY_SKIP;
}

static void put_frames(unsigned n)
{
	struct can_frame f = {.len = 4};

	for (unsigned i = 0; i < n; i++) {
		f.can_id = i & CAN_SFF_MASK;
		memcpy(f.data, &i, sizeof i);
		assert_int_equal(send(other_end, &f, sizeof f, 0), sizeof f);
	}
}

static void a_wish_is_answered_and_frames_come(void **state)
{
	eventfd_t count;
	int answer[2];

	(void)state;
	wish(2, 7);
	assert_int_equal(opened_index, 7);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	assert_int_equal(got_head.bus, 2);
	assert_int_equal(got_head.id, 1);
	memcpy(answer, got_data, sizeof answer);
	assert_int_equal(answer[0], 0);
	assert_int_equal(answer[1], BUFFER);
	assert_int_equal(eventfd_read(news, &count), 0);
	/* Nothing new: no word of it. */
	turn();
	assert_int_equal(next(), LULL_ENTRY_SKIP);
	assert_int_equal(eventfd_read(news, &count), -1);
	put_frames(3);
	clocks = 0;
	turn();
	for (uint32_t i = 0; i < 3; i++) {
		assert_int_equal(next(), LULL_ENTRY_FRAME);
		assert_int_equal(got_head.bus, 2);
		assert_int_equal(got_head.id, i);
		assert_int_equal(got_head.len, 4);
		assert_memory_equal(got_data, &i, sizeof i);
		/* A reading of the clocks comes before the frames it is for. */
		assert_int_equal(clocks, 1);
	}
	assert_int_equal(eventfd_read(news, &count), 0);
	assert_int_equal(atomic_load(&shared->frames), 3);
	assert_true(atomic_load(&shared->wakeups) >= 3);
	/* What is no frame is passed over. */
	assert_int_equal(send(other_end, "12345", 5, 0), 5);
	turn();
	assert_int_equal(next(), LULL_ENTRY_SKIP);
}

static void more_than_one_call_fetches(void **state)
{
	const unsigned n = 2 * LULL_RECEIVE_AT_ONCE + 5;

	(void)state;
	wish(0, 1);
	(void)next();
	put_frames(n);
	clocks = 0;
	turn();
	for (unsigned i = 0; i < n; i++) {
		assert_int_equal(next(), LULL_ENTRY_FRAME);
		assert_int_equal(got_head.id, i);
	}
	assert_int_equal(next(), LULL_ENTRY_SKIP);
	assert_int_equal(clocks, 3);
}

static void another_wish_is_another_socket(void **state)
{
	int answer[2];

	(void)state;
	wish(1, 4);
	const int first = other_end;

	other_end = -1;
	wish(1, 5);
	assert_int_equal(opened_index, 5);
	/* The first one is closed: who sends there learns it. */
	(void)signal(SIGPIPE, SIG_IGN);
	assert_int_equal(send(first, "x", 1, MSG_NOSIGNAL), -1);
	(void)close(first);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	assert_int_equal(got_head.id, 1);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	assert_int_equal(got_head.id, 2);
	/* None is wanted: closed, and no answer. */
	wish(1, 0);
	assert_int_equal(next(), LULL_ENTRY_SKIP);
	assert_int_equal(receive->ear[1].fd, -1);
	/* An interface that is not there is told. */
	open_error = -ENODEV;
	wish(1, 99);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	memcpy(answer, got_data, sizeof answer);
	assert_int_equal(answer[0], -ENODEV);
	assert_int_equal(receive->ear[1].fd, -1);
}

static void a_socket_that_fails_is_told_and_closed(void **state)
{
	int error;

	(void)state;
	/* No socket at all: each call on it fails with ENOTSOCK. */
	open_fd = eventfd(1, EFD_NONBLOCK | EFD_CLOEXEC);
	assert_true(open_fd >= 0);
	wish(3, 1);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	turn();
	assert_int_equal(next(), LULL_ENTRY_BROKEN);
	assert_int_equal(got_head.bus, 3);
	assert_int_equal(got_head.id, 1);
	memcpy(&error, got_data, sizeof error);
	assert_int_equal(error, ENOTSOCK);
	assert_int_equal(receive->ear[3].fd, -1);
	turn();
	assert_int_equal(next(), LULL_ENTRY_SKIP);
}

/* The kernel tells a socket's error before the frames that waited when its device went: they are taken first. */
static void frames_behind_an_error_are_taken(void **state)
{
	int error;

	(void)state;
	wish(3, 1);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	put_frames(3);
	/* The other end is closed with something unread: that is an error of this one. */
	assert_int_equal(send(receive->ear[3].fd, "x", 1, 0), 1);
	assert_int_equal(close(other_end), 0);
	other_end = -1;
	turn();
	for (uint32_t i = 0; i < 3; i++) {
		assert_int_equal(next(), LULL_ENTRY_FRAME);
		assert_int_equal(got_head.id, i);
	}
	assert_int_equal(next(), LULL_ENTRY_BROKEN);
	memcpy(&error, got_data, sizeof error);
	assert_int_equal(error, ECONNRESET);
	assert_int_equal(receive->ear[3].fd, -1);
}

/* A socket that is given up while frames wait in it. */
static void frames_of_a_socket_that_is_given_up_are_taken(void **state)
{
	(void)state;
	wish(3, 1);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	put_frames(3);
	wish(3, 0);
	for (uint32_t i = 0; i < 3; i++)
		assert_int_equal(next(), LULL_ENTRY_FRAME);
	assert_int_equal(next(), LULL_ENTRY_SKIP);
	assert_int_equal(receive->ear[3].fd, -1);
}

static void a_ping_is_answered_with_the_clocks(void **state)
{
	(void)state;
	clocks = 0;
	turn();
	assert_int_equal(next(), LULL_ENTRY_SKIP);
	assert_int_equal(clocks, 0);
	atomic_fetch_add(&shared->ping, 1);
	turn();
	assert_int_equal(atomic_load(&shared->pong), 1);
	assert_int_equal(next(), LULL_ENTRY_SKIP);
	assert_int_equal(clocks, 1);
	int64_t boottime;

	memcpy(&boottime, got_data, sizeof boottime);
	assert_true(boottime > 0 && got_head.stamp > 0);
}

/* A small ring: what it has no room for is counted, and told as soon as it has. */
static void a_full_ring_is_told(void **state)
{
	unsigned frames = 0, lost = 0;

	(void)state;
	(void)tear_down(NULL);
	begin_with(1024);
	wish(0, 1);
	(void)next();
	put_frames(100);
	turn();
	const unsigned missing = (unsigned)atomic_load(&shared->lost_ring);

	/* No entry of a frame is smaller than 24 bytes. */
	assert_true(missing >= 100 - 1024 / 24);
	for (enum lull_entry_kind kind; (kind = next()) != LULL_ENTRY_SKIP;)
		frames += kind == LULL_ENTRY_FRAME;
	assert_int_equal(frames + missing, 100);
	turn();
	for (enum lull_entry_kind kind; (kind = next()) != LULL_ENTRY_SKIP;) {
		assert_int_equal(kind, LULL_ENTRY_LOST);
		assert_int_equal(got_head.flags, LULL_LOST_RING);
		lost += got_head.id;
	}
	assert_int_equal(lost, missing);
	/* Once. */
	turn();
	assert_int_equal(next(), LULL_ENTRY_SKIP);
	assert_int_equal(atomic_load(&shared->lost_ring), missing);
}

/* The sleep between two looks follows how full the buffer was: 11 frames fit into it. */
static void the_pace_follows_the_buffer(void **state)
{
	(void)state;
	wish(0, 1);
	assert_int_equal(receive->pace, 0);
	put_frames(3);
	turn();
	assert_int_equal(receive->pace, 4 * LULL_MS);
	/* Neither crowded nor roomy: as it is. */
	put_frames(4);
	turn();
	assert_int_equal(receive->pace, 4 * LULL_MS);
	for (int i = 0; i < 4; i++) {
		put_frames(8);
		turn();
	}
	assert_int_equal(receive->pace, LULL_MS);
	for (int i = 0; i < 10; i++) {
		put_frames(1);
		turn();
	}
	assert_int_equal(receive->pace, 200 * LULL_MS);
	/* Nothing came: the next frame is waited for. */
	turn();
	assert_int_equal(receive->pace, 0);
	while (next() != LULL_ENTRY_SKIP)
		;
}

/* A datagram socket of the loopback counts what it drops as one of CAN does. */
static int open_loopback(int index, int *buffer)
{
	struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
	socklen_t n = sizeof address;
	const int on = 1, small = 1;
	const int fd = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);

	opened_index = index;
	*buffer = BUFFER;
	if (fd < 0)
		return -errno;
	other_end = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
	if (other_end < 0 || bind(fd, (struct sockaddr *)&address, sizeof address) ||
		getsockname(fd, (struct sockaddr *)&address, &n) ||
		connect(other_end, (struct sockaddr *)&address, sizeof address) ||
		setsockopt(fd, SOL_SOCKET, SO_RXQ_OVFL, &on, sizeof on) ||
		setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &small, sizeof small)) {
		(void)close(fd);
		return -EAFNOSUPPORT;
	}
	return fd;
}

static void what_the_socket_drops_is_told(void **state)
{
	unsigned frames = 0, lost = 0;
	int answer[2];

	(void)state;
	receive->open = open_loopback;
	wish(0, 1);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	memcpy(answer, got_data, sizeof answer);
	if (answer[0]) {
		print_message("no loopback here: skipped\n");
		skip();
	}
	put_frames(300);
	/* The kernel may still be handing them over: until all are accounted for. */
	for (int i = 0; i < 10000 && frames + lost < 300; i++) {
		turn();
		for (enum lull_entry_kind kind; (kind = next()) != LULL_ENTRY_SKIP;) {
			if (kind == LULL_ENTRY_FRAME) {
				frames++;
			} else {
				assert_int_equal(kind, LULL_ENTRY_LOST);
				assert_int_equal(got_head.flags, LULL_LOST_SOCKET);
				lost += got_head.id;
			}
		}
	}
	assert_int_equal(frames + lost, 300);
	assert_true(frames > 0 && lost > 0);
	assert_int_equal(atomic_load(&shared->frames), frames);
}

/* --- its life --- */

static void *live(void *ctx)
{
	(void)ctx;
	(void)lull_receive(shared, kick, news);
	return NULL;
}

/* With its own sockets: an interface that is not there is refused by any kernel, with CAN or without. */
static void it_lives_until_it_is_stopped(void **state)
{
	pthread_t thread;
	struct pollfd p = {.fd = news, .events = POLLIN};
	int answer[2];

	(void)state;
	atomic_store(&shared->wanted[0].index, 0x7ffffff0);
	atomic_fetch_add(&shared->wanted[0].generation, 1);
	assert_int_equal(eventfd_write(kick, 1), 0);
	assert_int_equal(pthread_create(&thread, NULL, live, NULL), 0);
	assert_int_equal(poll(&p, 1, -1), 1);
	assert_int_equal(next(), LULL_ENTRY_OPENED);
	memcpy(answer, got_data, sizeof answer);
	assert_true(answer[0] < 0);
	atomic_store(&shared->stop, 1);
	assert_int_equal(eventfd_write(kick, 1), 0);
	assert_int_equal(pthread_join(thread, NULL), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(frames_of_every_kind),
		cmocka_unit_test(stamps_of_both_widths),
		cmocka_unit_test_setup_teardown(a_wish_is_answered_and_frames_come, set_up, tear_down),
		cmocka_unit_test_setup_teardown(more_than_one_call_fetches, set_up, tear_down),
		cmocka_unit_test_setup_teardown(another_wish_is_another_socket, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_socket_that_fails_is_told_and_closed, set_up, tear_down),
		cmocka_unit_test_setup_teardown(frames_behind_an_error_are_taken, set_up, tear_down),
		cmocka_unit_test_setup_teardown(frames_of_a_socket_that_is_given_up_are_taken, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_ping_is_answered_with_the_clocks, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_full_ring_is_told, set_up, tear_down),
		cmocka_unit_test_setup_teardown(the_pace_follows_the_buffer, set_up, tear_down),
		cmocka_unit_test_setup_teardown(what_the_socket_drops_is_told, set_up, tear_down),
		cmocka_unit_test_setup_teardown(it_lives_until_it_is_stopped, set_up, tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
