/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_listen: some seconds of listening at CAN interfaces, for a look at a bus (the recorder has its own receiver). A process of its own
 * listens, under the same filter as that receiver (can_confine.h). Its object file may use nothing that could send:
 * tests/checks/no-transmit.sh. */
#ifndef LULL_SOURCE_CAN_LISTEN_H
#define LULL_SOURCE_CAN_LISTEN_H

#include <lull/frame.h>
#include <stdbool.h>
#include <stddef.h>

#define LULL_LISTEN_MAX LULL_BUS_MAX

/* frame.bus: index into names. frame.t: CLOCK_BOOTTIME by the kernel's stamp, else at which it
 * was read, ns; of two interfaces not in order. Non-zero ends the listening. */
typedef int lull_listen_handler(void *ctx, const struct lull_frame *);

struct lull_listen_result {
	uint64_t lost[LULL_LISTEN_MAX]; /* by the sockets' own count, as far as it was told */
	bool stopped[LULL_LISTEN_MAX]; /* link down or adapter gone */
	int receive_buffer; /* bytes, as read back */
};

/* Listens at n interfaces for ns. Forks: for processes of one thread. Error frames come too, FD frames where the interface has them. 0; -EINTR when *stop (may be NULL)
 * became non-zero; the handler's value; -errno: -ENODEV no such interface, -EAFNOSUPPORT no CAN in this kernel,
 * -EPERM the filter ended the listener. */
LULL_MUST_CHECK int lull_listen(const char *const *names, size_t n, int64_t ns, const volatile int *stop, lull_listen_handler *,
	void *ctx, struct lull_listen_result *);

#endif
