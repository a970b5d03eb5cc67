/* SPDX-License-Identifier: GPL-3.0-or-later */
/* seccomp_args: comparisons of system call arguments as the kernel reads them. A filter sees 64 bits of each argument, and the kernel takes the
 * lower 32 of an int: a comparison of all 64 is passed by with any bit above. */
#ifndef LULL_SOURCE_SECCOMP_ARGS_H
#define LULL_SOURCE_SECCOMP_ARGS_H

#include <seccomp.h>
#include <stdint.h>

/* Of argument n, an int: those bits of the mask are these. */
#define LULL_ARG_BITS(n, mask, bits) SCMP_CMP64((n), SCMP_CMP_MASKED_EQ, (uint32_t)(mask), (uint32_t)(bits))
/* Argument n, an int, is that. */
#define LULL_ARG_IS(n, value) LULL_ARG_BITS((n), UINT32_MAX, (value))

#define LULL_SOCKET_KIND 0xf /* bits of socket()'s type that tell the kind; the others are flags (linux/net.h: SOCK_TYPE_MASK) */

#endif
