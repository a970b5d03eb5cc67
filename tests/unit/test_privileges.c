/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_privileges: what the filter of the main process answers to a call, on each architecture that packages are made for. The
 * filter's own program is run here, so that no machine of that kind is needed. */
#include <daemon/privileges.h>

#include <linux/audit.h>
#include <linux/bpf_common.h>
#include <linux/filter.h>
#include <linux/seccomp.h>
#include <seccomp.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

#define LONGEST 1024

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

static size_t program_for(uint32_t arch, struct sock_filter *program)
{
	scmp_filter_ctx ctx = seccomp_init(SCMP_ACT_ALLOW);
	FILE *file = tmpfile();

	assert_non_null(ctx);
	assert_non_null(file);
	if (arch != seccomp_arch_native()) {
		assert_int_equal(seccomp_arch_add(ctx, arch), 0);
		assert_int_equal(seccomp_arch_remove(ctx, SCMP_ARCH_NATIVE), 0);
	}
	assert_int_equal(lull_main_rules(ctx), 0);
	assert_int_equal(seccomp_export_bpf(ctx, fileno(file)), 0);
	seccomp_release(ctx);
	rewind(file);
	const size_t n = fread(program, sizeof *program, LONGEST, file);

	assert_true(n > 0 && n < LONGEST);
	(void)fclose(file);
	return n;
}

struct asked {
	const char *call;
	uint64_t first; /* its first argument */
	uint32_t want;
	bool everywhere; /* else only where the architecture has it */
};

static void each_call_is_answered(void **state)
{
	/* Architectures by their names in libseccomp and in Linux' audit.h. */
	static const struct {
		uint32_t arch, audit;
	} machines[] = {{SCMP_ARCH_X86_64, AUDIT_ARCH_X86_64}, {SCMP_ARCH_AARCH64, AUDIT_ARCH_AARCH64}, {SCMP_ARCH_ARM, AUDIT_ARCH_ARM}};
	static const uint32_t no = SECCOMP_RET_ERRNO | 1; /* EPERM */
	static const struct asked asked[] = {
		{"read", 0, SECCOMP_RET_ALLOW, true},
		{"clock_gettime", 0, SECCOMP_RET_ALLOW, true},
		{"adjtimex", 0, SECCOMP_RET_ALLOW, true}, /* asks whether a time service has set the clock */
		{"clock_settime", 0, no, true},
		{"clock_settime64", 0, no, false},
		{"settimeofday", 0, no, true},
		{"stime", 0, no, false},
		{"execve", 0, no, true},
		{"execveat", 0, no, true},
		{"mount", 0, no, true},
		{"umount", 0, no, false},
		{"umount2", 0, no, true},
		{"kexec_file_load", 0, no, false},
		{"socket", AF_UNIX, SECCOMP_RET_ALLOW, true},
		{"socket", AF_CAN, SECCOMP_RET_KILL_PROCESS, true},
		{"socket", AF_PACKET, SECCOMP_RET_KILL_PROCESS, true},
	};
	unsigned wide = 0;

	(void)state;
	for (size_t m = 0; m < sizeof machines / sizeof machines[0]; m++) {
		struct sock_filter program[LONGEST];
		const size_t n = program_for(machines[m].arch, program);

		for (size_t i = 0; i < sizeof asked / sizeof asked[0]; i++) {
			const int number = seccomp_syscall_resolve_name_arch(machines[m].arch, asked[i].call);
			const struct seccomp_data data = {
				.nr = number, .arch = machines[m].audit, .args = {asked[i].first}};

			if (number < 0) {
				assert_false(asked[i].everywhere);
				continue;
			}
			wide += !strcmp(asked[i].call, "clock_settime64");
			if (answer(program, n, &data) != asked[i].want)
				fail_msg("%s on 0x%x: 0x%x", asked[i].call, machines[m].audit, answer(program, n, &data));
		}
	}
	assert_int_equal(wide, 1); /* armhf has it, and the two others have not */
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(each_call_is_answered)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
