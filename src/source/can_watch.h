/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_watch: which CAN interfaces there are, and what becomes of them, by rtnetlink.
 *
 * An adapter is known by its USB serial number, else by the place it is plugged into (its path under /sys/devices, without what the
 * kernel counts up), so that it is the same one when it comes back under another name or index. */
#ifndef LULL_SOURCE_CAN_WATCH_H
#define LULL_SOURCE_CAN_WATCH_H

#include <source/can_link.h>

#define LULL_ADAPTER_KEY 200

struct lull_adapter {
	char name[LULL_LINK_NAME];
	int index;
	bool up, running;
	char kind[16];
	/* "usb:1d50:606f:0011223344/0", "path:platform/soc/fe204000.spi/spi0.0/0", "name:vcan0": an adapter's own key; behind the
	 * last slash its channel. */
	char key[LULL_ADAPTER_KEY];
	char driver[32], product[64]; /* "" unknown */
};

enum lull_watch_event {
	LULL_WATCH_NEW, /* is there now */
	LULL_WATCH_GONE, /* was removed: a socket bound to its index is dead for ever */
	LULL_WATCH_UP,
	LULL_WATCH_DOWN,
	LULL_WATCH_CHANGED, /* name, or running */
	LULL_WATCH_MISSED /* the kernel dropped messages: all was listed anew, events of NEW, GONE, UP, DOWN followed from that */
};
const char *lull_watch_event_name(enum lull_watch_event);

struct lull_watch;
typedef void lull_watch_handler(void *ctx, enum lull_watch_event, const struct lull_adapter *);

/* Opens the socket and lists what is there (no events for these). NULL, with errno set. */
struct lull_watch *lull_watch_open(void);
/* Knows no interface yet and takes rtnetlink's messages from this descriptor, which stays the caller's: for tests. NULL: out of memory. */
struct lull_watch *lull_watch_open_on(int fd);
void lull_watch_close(struct lull_watch *);
int lull_watch_fd(const struct lull_watch *);
/* Takes what has come, never blocks. adapter is NULL for LULL_WATCH_MISSED. The key of one that is gone is the one it had. 0 or a
 * negative errno. */
LULL_MUST_CHECK int lull_watch_read(struct lull_watch *, lull_watch_handler *, void *ctx);
const struct lull_adapter *lull_watch_list(const struct lull_watch *, size_t *n);
/* By its key, or by name ("can0") where the word has no colon. NULL: not there. */
const struct lull_adapter *lull_watch_find(const struct lull_watch *, const char *word);

/* What sysfs says of an interface; root "" in earnest (tests give a folder). Never fails: key "name:can0" at worst. */
void lull_adapter_describe(const char *root, const char *name, struct lull_adapter *);
/* The same by its place alone: the second of two adapters that were given the same serial number. */
void lull_adapter_describe_place(const char *root, const char *name, struct lull_adapter *);

/* The CAN interface whose USB device the terminal of this number (a serial port) belongs to as well, into name. False: none. */
bool lull_adapter_has_terminal(const char *root, unsigned major, unsigned minor, char name[LULL_LINK_NAME]);

/* Receive coalescing (ethtool): a driver told to wait for n frames, without an end to the wait, holds those of a slow sender for
 * minutes. */
struct lull_coalescing {
	bool known; /* the driver tells */
	uint32_t frames, usecs, frames_irq, usecs_irq;
};
LULL_MUST_CHECK int lull_coalescing_read(const char *name, struct lull_coalescing *);
bool lull_coalescing_holds(const struct lull_coalescing *); /* it can hold frames back without end */

#endif
