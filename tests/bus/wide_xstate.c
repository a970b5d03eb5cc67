/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wide_xstate: preloaded under user-mode Linux, so that it runs on processors of any width.
 * Linux 6.1's UML keeps 2,696 bytes of a guest process's extended processor state (arch/x86/um/user-offsets.c). Where
 * the processor has more (tile registers), a host kernel takes back only the whole, and UML dies at its first process.
 * No guest program uses that more: here it is filled up with what it is at rest, zeros that no feature bit claims. */
#include <dlfcn.h>
#include <errno.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/uio.h>

#define REGSET_XSTATE 0x202L /* NT_X86_XSTATE of linux/elf.h */
#define XSTATE_MOST 65536
#define FEATURES_AT 512 /* in the buffer: bit mask of what is not at rest */
#define TILE_FEATURES (UINT64_C(3) << 17)

typedef long (*ptrace_function)(enum __ptrace_request, ...);

static uint8_t state[XSTATE_MOST];

static long set_all(ptrace_function real, void *pid, const struct iovec *theirs)
{
	struct iovec whole = {.iov_base = state, .iov_len = sizeof(state)};
	uint64_t features;

	/* How long it is here, the host's kernel says. */
	if (theirs->iov_len < FEATURES_AT + sizeof(features) ||
		real(PTRACE_GETREGSET, pid, REGSET_XSTATE, &whole))
		return -1;
	if (whole.iov_len <= theirs->iov_len)
		return real(PTRACE_SETREGSET, pid, REGSET_XSTATE, theirs);
	memset(state, 0, sizeof(state));
	memcpy(state, theirs->iov_base, theirs->iov_len);
	memcpy(&features, state + FEATURES_AT, sizeof(features));
	features &= ~TILE_FEATURES;
	memcpy(state + FEATURES_AT, &features, sizeof(features));
	return real(PTRACE_SETREGSET, pid, REGSET_XSTATE, &whole);
}

/* Parameters of sys/ptrace.h's declaration. */
long ptrace(enum __ptrace_request request, ...)
{
	static ptrace_function real;
	va_list list;

	if (!real) {
		void *symbol = dlsym(RTLD_NEXT, "ptrace");

		if (!symbol) {
			errno = ENOSYS;
			return -1;
		}
		memcpy(&real, &symbol, sizeof(real));
	}
	va_start(list, request);
	void *pid = va_arg(list, void *), *addr = va_arg(list, void *), *data = va_arg(list, void *);

	va_end(list);
	if (request == PTRACE_SETREGSET && (long)addr == REGSET_XSTATE)
		return set_all(real, pid, data);
	return real(request, pid, addr, data);
}
