/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ears_rig: see the header. */
#include "ears_rig.h"
#include "stderr_rig.h"
#include "store_rig.h"

#include <daemon/log.h>

#include <errno.h>
#include <libgen.h>
#include <linux/can/netlink.h>
#include <linux/rtnetlink.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <netlink/msg.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

struct lull_config ears_config;
static struct lull_receiver receiver;
struct lull_ears ears;
struct lull_link_state ears_link[EARS_LINKS]; /* as the kernel would tell them */
struct lull_coalescing ears_coalescing;
static int news[2]; /* of links: ours, the watch's */
struct lull_moment ears_now;

void ears_at(int64_t t)
{
	ears_now =
		(struct lull_moment){.boot = BOOT_0 + t, .utc = UTC_0 + t, .error = LULL_MS, .dated = true};
	ears.heard = ears_now.boot;
}

/* --- the kernel --- */

static int query(void *ctx, const char *name, struct lull_link_state *state)
{
	(void)ctx;
	for (unsigned i = 0; i < EARS_LINKS; i++)
		if (ears_link[i].index && !strcmp(ears_link[i].name, name)) {
			*state = ears_link[i];
			return 0;
		}
	return -ENODEV;
}

static int read_coalescing(const char *name, struct lull_coalescing *c)
{
	(void)name;
	*c = ears_coalescing;
	return ears_coalescing.known ? 0 : -EOPNOTSUPP;
}

static const struct lull_link_ops link_ops = {.query = query};
static const struct lull_ears_io io = {.link = {.ops = &link_ops}, .coalescing = read_coalescing};

void ears_say(int type, int index, const char *name, bool up)
{
	struct ifinfomsg info = {
		.ifi_index = index, .ifi_type = ARPHRD_CAN, .ifi_flags = up ? IFF_UP | IFF_RUNNING : 0};
	struct nl_msg *m = nlmsg_alloc_simple(type, 0);

	assert_non_null(m);
	assert_int_equal(nlmsg_append(m, &info, sizeof info, NLMSG_ALIGNTO), 0);
	assert_int_equal(nla_put_string(m, IFLA_IFNAME, name), 0);
	assert_true(send(news[0], nlmsg_hdr(m), nlmsg_hdr(m)->nlmsg_len, 0) > 0);
	nlmsg_free(m);
}

/* Interface `name` is there as told, and the ears hear of it. */
void ears_link_is(unsigned i, int index, const char *name, bool up, bool listen_only)
{
	struct lull_link_state *s = &ears_link[i];

	s->index = index;
	(void)snprintf(s->name, sizeof s->name, "%s", name);
	s->can = true;
	s->up = s->running = up;
	s->bitrate = 500000;
	s->modes = listen_only ? CAN_CTRLMODE_LISTENONLY : 0;
	s->controller = up ? LULL_CONTROLLER_ACTIVE : LULL_CONTROLLER_STOPPED;
	ears_say(RTM_NEWLINK, index, name, up);
	assert_int_equal(lull_ears_watch(&ears, &ears_now), 0);
}

void ears_link_goes(unsigned i)
{
	ears_say(RTM_DELLINK, ears_link[i].index, ears_link[i].name, false);
	ears_link[i].index = 0;
	assert_int_equal(lull_ears_watch(&ears, &ears_now), 0);
}

/* --- the receiver --- */

void ears_put(enum lull_entry_kind kind, unsigned bus, uint32_t id, uint8_t flags, int64_t stamp,
	const void *data, unsigned n)
{
	struct lull_entry *entry = lull_ring_room(&receiver.shared->ring, n);

	assert_non_null(entry);
	entry->kind = (uint8_t)kind;
	entry->bus = (uint8_t)bus;
	entry->id = id;
	entry->flags = flags;
	entry->stamp = stamp;
	if (n)
		memcpy(entry->data, data, n);
	lull_ring_put(&receiver.shared->ring, entry);
}

void ears_drain_all(void)
{
	assert_true(lull_ears_drain(&ears, 1000) >= 0);
}

void ears_put_clock(int64_t t)
{
	const int64_t boot = BOOT_0 + t;

	ears_put(LULL_ENTRY_CLOCK, 0, 0, 0, UTC_0 + t, &boot, sizeof boot);
}

void ears_put_frame(unsigned bus, uint32_t id, uint8_t flags, int64_t t, const uint8_t data[8])
{
	ears_put_clock(t);
	ears_put(LULL_ENTRY_FRAME, bus, id, flags, UTC_0 + t, data, 8);
	ears_drain_all();
}

uint32_t ears_generation(unsigned bus)
{
	return atomic_load(&receiver.shared->wanted[bus].generation);
}

int ears_wanted(unsigned bus)
{
	return atomic_load(&receiver.shared->wanted[bus].index);
}

void ears_put_opened(unsigned bus, uint32_t of, int error)
{
	const int answer[2] = {error, 1 << 20};

	ears_put(LULL_ENTRY_OPENED, bus, of, 0, ears_now.boot, answer, sizeof answer);
	ears_drain_all();
}

void ears_put_broken(unsigned bus, int error)
{
	ears_put(LULL_ENTRY_BROKEN, bus, ears_generation(bus), 0, ears_now.boot, &error, sizeof error);
	ears_drain_all();
}

/* --- */

int ears_set_up(void **state)
{
	char folder[sizeof store_path];
	static struct lull_book_plan plan;

	if (store_set_up(state))
		return -1;
	stderr_take();
	lull_log_plain(true);
	memcpy(folder, store_path, sizeof folder);
	lull_config_defaults(&ears_config);
	(void)snprintf(ears_config.folder, sizeof ears_config.folder, "%s", dirname(folder));
	ears_config.bus_count = 2;
	(void)snprintf(ears_config.bus[0].name, sizeof ears_config.bus[0].name, "body");
	(void)snprintf(ears_config.bus[0].interface, sizeof ears_config.bus[0].interface, "can0");
	ears_config.bus[0].bitrate = 500000;
	(void)snprintf(ears_config.bus[1].name, sizeof ears_config.bus[1].name, "drive");
	(void)snprintf(ears_config.bus[1].adapter, sizeof ears_config.bus[1].adapter, "name:lulltest1");
	memset(ears_link, 0, sizeof ears_link);
	ears_coalescing = (struct lull_coalescing){0};
	ears_at(0);
	plan = (struct lull_book_plan){
		.config = &ears_config, .boot = "00000000-0000-0000-0000-000000000001"};
	assert_int_equal(socketpair(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0, news), 0);
	receiver =
		(struct lull_receiver){.pid = -1, .kick = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC), .news = -1};
	receiver.shared = aligned_alloc(64, sizeof *receiver.shared + EARS_RING);
	assert_non_null(receiver.shared);
	memset(receiver.shared, 0, sizeof *receiver.shared + EARS_RING);
	lull_ring_init(&receiver.shared->ring, EARS_RING);
	ears = (struct lull_ears){.config = &ears_config,
		.receiver = &receiver,
		.heard = ears_now.boot,
		.watch = lull_watch_open_on(news[1]),
		.io = &io};
	assert_non_null(ears.watch);
	ears.book = lull_book_open(&plan, &ears_now, store_err, sizeof store_err);
	if (!ears.book)
		fail_msg("%s", store_err);
	(void)stderr_text();
	return 0;
}

int ears_tear_down(void **state)
{
	if (ears.helper)
		lull_helper_stop(ears.helper);
	lull_keep_close(ears.keep);
	lull_watch_close(ears.watch);
	(void)!lull_book_close(ears.book, &ears_now);
	(void)close(news[0]);
	(void)close(news[1]);
	(void)close(receiver.kick);
	free(receiver.shared);
	stderr_give_back();
	return store_tear_down(state);
}

bool ears_blind(unsigned bus, enum lull_coverage_why why)
{
	return lull_book_is_blind(ears.book, bus, why);
}

bool ears_hear(unsigned bus)
{
	int64_t since;

	return !lull_book_blindness(ears.book, bus, &since);
}

/* Bus 0 on can0 with index 3, listening. */
void ears_listening(void)
{
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", true, true);
	ears_put_opened(0, ears_generation(0), 0);
	assert_true(ears_hear(0));
	(void)stderr_text();
}

struct lull_ring *ears_ring(void)
{
	return &receiver.shared->ring;
}
