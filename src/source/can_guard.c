/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_guard: a library call that may block for ever, in a process of its own, with a deadline. */
#include <source/can_guard.h>

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

static int64_t now_ms(void)
{
	struct timespec t;

	(void)clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static _Noreturn void child(int (*work)(const void *), const void *arg, int out)
{
	int null = open("/dev/null", O_RDWR | O_CLOEXEC), r;

	/* It must not outlive whoever waits for it, holding an adapter. */
	(void)prctl(PR_SET_PDEATHSIG, SIGKILL);
	if (null >= 0) {
		(void)dup2(null, STDIN_FILENO);
		(void)dup2(null, STDOUT_FILENO);
	}
	(void)dup2(out, STDERR_FILENO);
	r = work(arg);
	_exit(r < 0 && r > -126 ? -r : r ? EIO : 0);
}

/* Reads until the other end closes. False: the deadline passed. */
static bool drain(int fd, int64_t until, char *said, size_t size)
{
	size_t used = 0;

	for (;;) {
		struct pollfd p = {.fd = fd, .events = POLLIN};
		char buffer[512];
		int64_t left = until - now_ms();
		ssize_t n;

		if (left <= 0)
			return false;
		if (poll(&p, 1, left > 60000 ? 60000 : (int)left) <= 0)
			continue;
		n = read(fd, buffer, sizeof buffer);
		if (n == 0 || (n < 0 && errno != EINTR && errno != EAGAIN))
			return true;
		if (n > 0 && used + 1 < size) {
			size_t room = size - 1 - used, take = (size_t)n < room ? (size_t)n : room;

			memcpy(said + used, buffer, take);
			used += take;
			said[used] = 0;
		}
	}
}

/* The status of a process that has ended or is about to. A process that the kernel does not let die is left behind. */
static int reap(pid_t pid, bool killed)
{
	const struct timespec pause = {.tv_nsec = 10 * 1000 * 1000};
	const int most = killed ? 100 : 1000; /* one that has closed its end is about to end; a busy machine may take its time */
	int status = 0, tries;

	for (tries = 0; tries < most; tries++) {
		pid_t got = waitpid(pid, &status, WNOHANG);

		if (got == pid)
			break;
		if (got < 0 && errno != EINTR)
			return -ECHILD;
		(void)nanosleep(&pause, NULL);
	}
	if (killed || tries == most)
		return -ETIMEDOUT;
	return WIFEXITED(status) ? -WEXITSTATUS(status) : -ECHILD;
}

int lull_guard_run(int (*work)(const void *arg), const void *arg, unsigned deadline_ms, char *said, size_t said_size)
{
	int ends[2];
	pid_t pid;
	bool ended;

	if (said_size)
		said[0] = 0;
	if (pipe2(ends, O_CLOEXEC))
		return -errno;
	pid = fork();
	if (pid < 0) {
		int e = errno;

		(void)close(ends[0]);
		(void)close(ends[1]);
		return -e;
	}
	if (!pid)
		child(work, arg, ends[1]);
	(void)close(ends[1]);
	ended = drain(ends[0], now_ms() + deadline_ms, said, said_size);
	(void)close(ends[0]);
	if (!ended)
		(void)kill(pid, SIGKILL);
	return reap(pid, !ended);
}
