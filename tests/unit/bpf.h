/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bpf: asks a seccomp filter for its answer to calls on each architecture that packages are made for. The filter's own program is run here, so that
 * no machine of that kind is needed. */
#ifndef LULL_TESTS_BPF_H
#define LULL_TESTS_BPF_H

#include <linux/seccomp.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BPF_MACHINES 3 /* amd64, arm64, armhf */

struct bpf_asked {
	const char *call;
	uint64_t args[3]; /* as a program gives them; of a 32-bit one the lower half */
	uint32_t want; /* SECCOMP_RET_* */
	bool everywhere; /* else only where the architecture has it */
};

/* An empty one of libseccomp for that machine. */
void *bpf_filter(size_t machine, uint32_t otherwise);
/* Fails the test at the first other answer. */
void bpf_check(size_t machine, void *filter, const struct bpf_asked *, size_t n);

#endif
