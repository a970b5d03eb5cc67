/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ears: for each configured bus: which adapter it hangs on, whether that can hear, and why not. Adapters come and go, links go up
 * and down, controllers fall silent: each change is told to the book, so that silence is quiet only where it was heard. */
#ifndef LULL_DAEMON_EARS_H
#define LULL_DAEMON_EARS_H

#include <daemon/book.h>
#include <daemon/keep.h>
#include <daemon/receiver.h>
#include <daemon/stamps.h>
#include <source/can_helper.h>
#include <source/can_watch.h>

/* What is counted of a bus in this book, since its session began; for status. */
struct lull_ear_counts {
	uint64_t frames, errors;
	uint64_t lost_socket, lost_ring, lost_controller;
	uint64_t local; /* frames this computer sent itself */
	int64_t first, last; /* CLOCK_BOOTTIME of frames; 0 none */
	uint32_t last_id;
};

struct lull_ear {
	int index; /* of the interface that is listened to; 0: none */
	char interface[LULL_LINK_NAME]; /* its name; "" */
	char adapter[LULL_ADAPTER_KEY];
	uint32_t generation; /* of the receiver's socket */
	bool open; /* the socket is there */
	unsigned buffer; /* bytes of its receive buffer, as read back */
	int64_t opened; /* CLOCK_BOOTTIME: since when this socket hears */
	int64_t awake_since; /* CLOCK_BOOTTIME: first frame after a silence of 5 s */
	bool refused; /* not listen-only, and that is not accepted */
	uint32_t ticket; /* of the set-up that was asked for; 0: none is under way */
	int64_t asked; /* CLOCK_BOOTTIME of that */
	int64_t looked; /* CLOCK_BOOTTIME of the last query */
	bool stated; /* the following was read at least once since it was opened */
	struct lull_link_state state;
	struct lull_own_clock own;
	struct lull_ear_counts count;
};

/* Whom the ears ask about a link. */
struct lull_ears_io {
	struct lull_link_io link;
	int (*coalescing)(const char *name, struct lull_coalescing *);
};

struct lull_ears {
	const struct lull_config *config;
	struct lull_book *book;
	struct lull_receiver *receiver;
	struct lull_watch *watch;
	struct lull_keep_files *keep; /* NULL: edges only */
	struct lull_helper *helper; /* NULL: links are taken as they are */
	const struct lull_ears_io *io; /* NULL: the kernel */
	int64_t heard; /* CLOCK_BOOTTIME: all frames of all buses up to here are in the ring, or were taken from it */
	struct lull_stamps stamps;
	struct lull_ear ear[LULL_BUS_MAX];
};

/* Nothing is heard yet; then what is there is looked at. */
LULL_MUST_CHECK int lull_ears_begin(struct lull_ears *, const struct lull_moment *);
/* A new book begins with what the ears know. */
LULL_MUST_CHECK int lull_ears_new_book(struct lull_ears *, struct lull_book *, const struct lull_moment *);
/* The watch's descriptor, or the helper's, is readable. */
LULL_MUST_CHECK int lull_ears_watch(struct lull_ears *, const struct lull_moment *);
LULL_MUST_CHECK int lull_ears_helper(struct lull_ears *, const struct lull_moment *);
/* The receiver has been started anew: all sockets are gone. */
LULL_MUST_CHECK int lull_ears_deaf(struct lull_ears *, const struct lull_moment *);
/* Everything the ring holds, `most` entries of it. Returns how many were taken, or -errno. */
int lull_ears_drain(struct lull_ears *, unsigned most);
/* Once a second. */
LULL_MUST_CHECK int lull_ears_tick(struct lull_ears *, const struct lull_moment *);

#endif
