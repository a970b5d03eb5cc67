/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bpf: asks a seccomp filter for its answer to calls. */
#include <linux/audit.h>
#include <linux/bpf_common.h>
#include <linux/filter.h>
#include <seccomp.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "bpf.h"

#define LONGEST 4096

/* Architectures by their names in libseccomp and in Linux' audit.h. */
static const struct {
	uint32_t arch, audit;
	bool narrow;
} machines[BPF_MACHINES] = {
	{SCMP_ARCH_X86_64, AUDIT_ARCH_X86_64, false}, {SCMP_ARCH_AARCH64, AUDIT_ARCH_AARCH64, false}, {SCMP_ARCH_ARM, AUDIT_ARCH_ARM, true}};

/* The classic BPF that seccomp allows (Linux: Documentation/networking/filter.rst), as far as libseccomp makes use of it. */
static uint32_t answer(const struct sock_filter *program, size_t n, const struct seccomp_data *data)
{
	uint32_t a = 0;

	for (size_t pc = 0; pc < n; pc++) {
		const struct sock_filter *i = &program[pc];
		bool yes = false;

		switch (i->code) {
		case BPF_LD | BPF_W | BPF_ABS:
			assert_true(i->k + sizeof a <= sizeof *data);
			memcpy(&a, (const char *)data + i->k, sizeof a);
			continue;
		case BPF_ALU | BPF_AND | BPF_K: a &= i->k; continue;
		case BPF_RET | BPF_K: return i->k;
		case BPF_JMP | BPF_JA: pc += i->k; continue;
		case BPF_JMP | BPF_JEQ | BPF_K: yes = a == i->k; break;
		case BPF_JMP | BPF_JGT | BPF_K: yes = a > i->k; break;
		case BPF_JMP | BPF_JGE | BPF_K: yes = a >= i->k; break;
		case BPF_JMP | BPF_JSET | BPF_K: yes = (a & i->k) != 0; break;
		default: fail_msg("an instruction that this test does not know: 0x%x", i->code);
		}
		pc += yes ? i->jt : i->jf;
	}
	fail_msg("the filter ends without an answer");
	return 0;
}

void *bpf_filter(size_t machine, uint32_t otherwise)
{
	scmp_filter_ctx ctx;

	/* As of a kernel that can end a process (libseccomp's API level 3), whatever this one can: nothing is loaded. */
	if (seccomp_api_get() < 3)
		assert_int_equal(seccomp_api_set(3), 0);
	ctx = seccomp_init(otherwise);
	assert_non_null(ctx);
	if (machines[machine].arch != seccomp_arch_native()) {
		assert_int_equal(seccomp_arch_add(ctx, machines[machine].arch), 0);
		assert_int_equal(seccomp_arch_remove(ctx, SCMP_ARCH_NATIVE), 0);
	}
	return ctx;
}

void bpf_check(size_t machine, void *filter, const struct bpf_asked *asked, size_t n)
{
	static struct sock_filter program[LONGEST];
	FILE *file = tmpfile();

	assert_non_null(file);
	assert_int_equal(seccomp_export_bpf(filter, fileno(file)), 0);
	rewind(file);
	const size_t size = fread(program, sizeof *program, LONGEST, file);

	assert_true(size > 0 && size < LONGEST);
	(void)fclose(file);
	for (size_t i = 0; i < n; i++) {
		struct seccomp_data data = {
			.nr = seccomp_syscall_resolve_name_arch(machines[machine].arch, asked[i].call), .arch = machines[machine].audit};

		if (data.nr < 0) {
			assert_false(asked[i].everywhere);
			continue;
		}
		for (size_t k = 0; k < sizeof asked[i].args / sizeof asked[i].args[0]; k++)
			data.args[k] = machines[machine].narrow ? (uint32_t)asked[i].args[k] : asked[i].args[k];
		if (answer(program, size, &data) != asked[i].want)
			fail_msg("%s (%zu) on 0x%x: 0x%x", asked[i].call, i, machines[machine].audit, answer(program, size, &data));
	}
}
