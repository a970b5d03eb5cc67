/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_confine: a seccomp filter for a process that listens at CAN sockets: none of the calls that are left can send. No send family, no write
 * but of 8 bytes to one eventfd, no way to give a socket that descriptor's number. Anything else ends the process at once. */
#ifndef LULL_SOURCE_CAN_CONFINE_H
#define LULL_SOURCE_CAN_CONFINE_H

#include <lull/terms.h>

/* The eventfd that is written to has this number or a higher one, and only lower ones can be closed. A power of two. */
#define LULL_CAN_GUARDED 512

/* From here on only that is left: CAN sockets, receiving, 8 bytes from eventfd `kick` (-1: none) and to eventfd *news, which gets another
 * number. 0 or -errno. */
LULL_MUST_CHECK int lull_can_confine(int kick, int *news);
/* The rules of that filter into one of libseccomp (an scmp_filter_ctx), for whichever architectures it is. 0 or -errno. */
LULL_MUST_CHECK int lull_can_rules(void *filter, int kick, int news);

#endif
