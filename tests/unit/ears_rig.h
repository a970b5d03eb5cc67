/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ears_rig: ears of two buses ("body" on can0, "drive" on the adapter name:lulltest1) for one test: the kernel's messages, the links and
 * the receiver are the test's. */
#ifndef LULL_TESTS_EARS_RIG_H
#define LULL_TESTS_EARS_RIG_H

#include <daemon/ears.h>

#include <stdbool.h>

#define BOOT_0 (1000 * LULL_SEC) /* CLOCK_BOOTTIME at the start */
#define UTC_0 (INT64_C(1772750000) * LULL_SEC)
#define EARS_RING 4096 /* bytes */
#define EARS_LINKS 2

extern struct lull_config ears_config;
extern struct lull_ears ears;
extern struct lull_link_state ears_link[EARS_LINKS]; /* as the kernel would tell them; index 0: not there */
extern struct lull_coalescing ears_coalescing;
extern struct lull_moment ears_now;

/* cmocka's: a folder with a book; stderr is taken. */
int ears_set_up(void **state);
int ears_tear_down(void **state);
/* It is so late, ns after the start, and the receiver has fetched all frames. */
void ears_at(int64_t t);
/* Bus 0 listens on can0, index 3. */
void ears_listening(void);

/* --- the kernel --- */

/* A message of rtnetlink that nobody has read yet. */
void ears_say(int type, int index, const char *name, bool up);
/* The interface is there as told, or gone, and the ears hear of it. */
void ears_link_is(unsigned i, int index, const char *name, bool up, bool listen_only);
void ears_link_goes(unsigned i);

/* --- the receiver --- */

struct lull_ring *ears_ring(void);
void ears_put(enum lull_entry_kind, unsigned bus, uint32_t id, uint8_t flags, int64_t stamp, const void *data,
	unsigned n);
void ears_drain_all(void);
void ears_put_clock(int64_t t);
/* These are taken at once. */
void ears_put_frame(unsigned bus, uint32_t id, uint8_t flags, int64_t t, const uint8_t data[8]);
void ears_put_opened(unsigned bus, uint32_t generation, int error);
void ears_put_broken(unsigned bus, int error);
/* What the ears want of the receiver: which socket, on which interface. */
uint32_t ears_generation(unsigned bus);
int ears_wanted(unsigned bus);

/* --- the book --- */

bool ears_blind(unsigned bus, enum lull_coverage_why);
bool ears_hear(unsigned bus); /* no reason to be blind */

#endif
