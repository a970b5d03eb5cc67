/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_link: one CAN interface: what it is, how it stands, and how it is set up so that it disturbs nobody.
 *
 * The order is always: down, set, read back, up, read back again. A link never comes up after a set that failed, nor without
 * listen-only as read back from the kernel (the flag is what the driver was asked for: what the hardware makes of it is
 * proven on a bench only). Each step has a deadline, since a library call can block for ever when an adapter vanishes. */
#ifndef LULL_SOURCE_CAN_LINK_H
#define LULL_SOURCE_CAN_LINK_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

#define LULL_LINK_NAME 16 /* bytes, with the terminator (IFNAMSIZ) */

struct lull_link_spec {
	char name[LULL_LINK_NAME];
	uint32_t bitrate; /* bit/s; not looked at for an interface without a controller (vcan) */
	uint32_t sample_permille; /* 0: the driver's choice */
	uint32_t fd_bitrate; /* of the data phase; 0: classical CAN only */
	uint32_t fd_sample_permille; /* 0: the driver's choice */
	uint32_t restart_ms; /* after bus-off; 0: never by itself */
	bool accept_acknowledging; /* go on without listen-only where it cannot be had: the report must say so */
	bool keep_down; /* set and read back only */
};

enum lull_controller {
	LULL_CONTROLLER_ACTIVE, /* error-active */
	LULL_CONTROLLER_WARNING,
	LULL_CONTROLLER_PASSIVE,
	LULL_CONTROLLER_BUS_OFF,
	LULL_CONTROLLER_STOPPED,
	LULL_CONTROLLER_SLEEPING,
	LULL_CONTROLLER_UNKNOWN /* none behind this interface, or not told */
};
const char *lull_controller_name(enum lull_controller);

struct lull_link_state {
	char name[LULL_LINK_NAME];
	int index; /* of the interface: changes when an adapter returns */
	bool can; /* a CAN interface at all */
	bool up, running;
	bool simulated; /* no controller behind it, so no bit timing (vcan, vxcan): nothing there can acknowledge */
	char kind[16]; /* "can", "vcan", as the kernel says */
	char driver[32]; /* "" unknown */
	uint32_t mtu; /* 16 classical, 72 FD */
	enum lull_controller controller;
	bool counted; /* the controller tells its error counters */
	uint16_t errors_sent, errors_received;
	uint32_t modes, can_do; /* CAN_CTRLMODE_* of linux/can/netlink.h: set, and possible */
	bool can_do_known; /* kernels before 5.16 do not tell what is possible */
	uint32_t bitrate, sample_permille; /* 0: not set */
	uint32_t fd_bitrate, fd_sample_permille; /* 0: not set */
	uint32_t restart_ms;
	uint64_t frames_received, frames_sent, frames_lost; /* lost: dropped, overrun, missed */
	uint32_t bus_errors, to_warning, to_passive, to_bus_off; /* counted by the driver since it was loaded */
};
bool lull_link_listens_only(const struct lull_link_state *); /* the flag is set, or nothing there can acknowledge */
bool lull_link_shows_bus_errors(const struct lull_link_state *); /* berr-reporting is on */

/* What the sequence below does its work with; each returns 0 or a negative errno (-ETIMEDOUT: its deadline passed, -ENODEV: no
 * such interface), and may leave a sentence in `said`. */
struct lull_link_ops {
	int (*query)(void *ctx, const char *name, struct lull_link_state *);
	int (*down)(void *ctx, const char *name, char *said, size_t said_size);
	/* Bit timing, modes (CAN_CTRLMODE_*; of `mask` only), restart, all on a link that is down. */
	int (*set)(void *ctx, const struct lull_link_spec *, uint32_t mask, uint32_t modes, char *said, size_t said_size);
	int (*up)(void *ctx, const char *name, char *said, size_t said_size);
};
struct lull_link_io {
	const struct lull_link_ops *ops;
	void *ctx;
};
/* The kernel's own. It forks for the steps that change something: for processes of one thread. Needs CAP_NET_ADMIN for them;
 * query needs nothing, forks nothing and never takes longer than a second. */
struct lull_link_io lull_link_kernel(void);

/* How a set-up ended. All but LULL_LINK_SET leave the link down, or as far down as it could be brought. */
enum lull_link_result {
	LULL_LINK_SET,
	LULL_LINK_ABSENT, /* no such interface */
	LULL_LINK_NO_CAN, /* an interface of another kind */
	LULL_LINK_FORBIDDEN, /* no CAP_NET_ADMIN */
	LULL_LINK_ACKNOWLEDGES, /* listen-only cannot be had */
	LULL_LINK_NO_FD, /* no CAN FD, or no data phase of that rate */
	LULL_LINK_NO_RATE, /* the controller cannot make that bit rate, or made another of it */
	LULL_LINK_LATE, /* a step did not end within its deadline: an adapter that hangs or vanished */
	LULL_LINK_FAILED /* anything else: see the sentence */
};
const char *lull_link_result_name(enum lull_link_result);

/* The whole sequence. *state: the last read-back (name and index 0 if there was none). why: a sentence for a person, "" if all
 * went well and nothing needs saying. With accept_acknowledging, LULL_LINK_SET may come without listen-only:
 * see lull_link_listens_only(). */
enum lull_link_result lull_link_setup(const struct lull_link_io *, const struct lull_link_spec *, struct lull_link_state *state,
	char *why, size_t why_size);
/* Name without '/', blanks or control characters, 1 to 15 bytes; rates within 1 kbit/s to 20 Mbit/s; sample points below 1000. 0 or
 * -EINVAL with a sentence. */
LULL_MUST_CHECK int lull_link_spec_check(const struct lull_link_spec *, char *why, size_t why_size);
/* A single query; -ENODEV, -ETIMEDOUT. */
LULL_MUST_CHECK int lull_link_query(const struct lull_link_io *, const char *name, struct lull_link_state *);

#endif
