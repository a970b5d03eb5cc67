/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_adc: an ADC read by a small process of its own, since reading one blocks: a conversion takes its time, and a bus that
 * hangs takes a second. It writes a record of fixed size for each reading, each loss. */
#include <source/live_impl.h>

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define RETRY (2 * LULL_SEC) /* shorter than what counts as silence, so that the parent knows that we try */

struct record {
	lull_time t;
	double value;
	int32_t unit, lost;
	char why[96];
};

struct adc {
	int fd;
	pid_t pid;
};

/* --- the process --- */

static lull_time now_ns(void)
{
	struct timespec t;

	(void)clock_gettime(CLOCK_BOOTTIME, &t);
	return t.tv_sec * LULL_SEC + t.tv_nsec;
}

static void sleep_until(lull_time t)
{
	const struct timespec at = {.tv_sec = t / LULL_SEC, .tv_nsec = (long)(t % LULL_SEC)};

	while (clock_nanosleep(CLOCK_BOOTTIME, TIMER_ABSTIME, &at, NULL) == EINTR)
		;
}

static void give(int fd, const struct record *r)
{
	/* Shorter than PIPE_BUF: whole or not at all. A full pipe means that nobody reads: this one is dropped. */
	if (write(fd, r, sizeof *r) < 0 && errno != EAGAIN && errno != EINTR)
		_exit(0);
}

static _Noreturn void reader(int fd, const struct lull_live_spec *s, const struct lull_adc_ops *ops)
{
	lull_time at = now_ns();
	void *self = NULL;

	for (;;) {
		struct record r = {.unit = LULL_CLAMP_MV};
		enum lull_clamp_unit unit = LULL_CLAMP_MV;
		lull_time begun = now_ns();
		int e = 0;

		if (!self)
			e = ops->open(&self, s, r.why, sizeof r.why);
		if (!e)
			e = ops->read(self, &r.value, &unit, r.why, sizeof r.why);
		r.t = begun + (now_ns() - begun) / 2;
		r.unit = (int32_t)unit;
		r.lost = e;
		give(fd, &r);
		if (e) {
			if (self)
				ops->close(self);
			self = NULL;
			sleep_until(now_ns() + RETRY);
			at = now_ns();
			continue;
		}
		/* On a grid; what was missed is not made up for. */
		at += s->period_ns;
		if (at < now_ns())
			at = now_ns();
		sleep_until(at);
	}
}

static int start(const struct lull_live_spec *s, const struct lull_adc_ops *ops, pid_t *pid)
{
	int ends[2];

	if (pipe2(ends, O_CLOEXEC | O_NONBLOCK))
		return -errno;
	*pid = fork();
	if (*pid < 0) {
		int e = errno;

		(void)close(ends[0]);
		(void)close(ends[1]);
		return -e;
	}
	if (!*pid) {
		sigset_t none;
		int signal_number;

		for (signal_number = 1; signal_number < NSIG; signal_number++)
			(void)signal(signal_number, SIG_DFL);
		(void)sigemptyset(&none);
		(void)sigprocmask(SIG_SETMASK, &none, NULL);
		(void)signal(SIGPIPE, SIG_IGN);
		(void)prctl(PR_SET_PDEATHSIG, SIGKILL);
		(void)prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0);
		/* Nothing of the parent's stays open here: a recording, a socket on the bus. */
		if (ends[1] > 3)
			(void)close_range(3, (unsigned)ends[1] - 1, 0);
		(void)close_range((unsigned)ends[1] + 1, ~0u, 0);
		reader(ends[1], s, ops);
	}
	(void)close(ends[1]);
	return ends[0];
}

/* --- the parent's side --- */

int lull_adc_open(void **self, const struct lull_live_spec *s, const struct lull_adc_ops *ops, char *why, size_t size)
{
	struct adc *a = calloc(1, sizeof *a);
	int fd;

	if (!a)
		return -ENOMEM;
	fd = start(s, ops, &a->pid);
	if (fd < 0) {
		(void)snprintf(why, size, "no process for the ADC: %s", strerror(-fd));
		free(a);
		return fd;
	}
	a->fd = fd;
	*self = a;
	return 0;
}

static int open_adc(void **self, const struct lull_live_spec *s, lull_time now, char *why, size_t size)
{
	(void)now;
	return lull_adc_open(self, s, &lull_adc_iio, why, size);
}

static void close_adc(void *self)
{
	const struct timespec pause = {.tv_nsec = 1000 * 1000};
	struct adc *a = self;
	int tries;

	(void)close(a->fd);
	(void)kill(a->pid, SIGKILL);
	/* One that hangs in the kernel is reaped when this process ends. */
	for (tries = 0; tries < 50 && waitpid(a->pid, NULL, WNOHANG) == 0; tries++)
		(void)nanosleep(&pause, NULL);
	free(a);
}

static int fd_of(const void *self)
{
	return ((const struct adc *)self)->fd;
}

static short events(const void *self)
{
	(void)self;
	return POLLIN;
}

static lull_time due(const void *self)
{
	(void)self;
	return INT64_MAX;
}

static enum lull_got next(void *self, lull_time now, struct lull_raw *raw, char *why, size_t size)
{
	struct adc *a = self;
	struct record r;
	ssize_t n;

	do
		n = read(a->fd, &r, sizeof r);
	while (n < 0 && errno == EINTR);
	if (n < 0 && errno == EAGAIN)
		return LULL_GOT_NOTHING;
	if (n != (ssize_t)sizeof r) {
		(void)snprintf(why, size, "the process that reads the ADC ended");
		return LULL_GOT_ENDED;
	}
	if (r.lost) {
		r.why[sizeof r.why - 1] = 0;
		(void)snprintf(why, size, "%s", r.why);
		return LULL_GOT_LOST;
	}
	raw->t = r.t > now ? now : r.t;
	raw->value = r.value;
	raw->unit = (enum lull_clamp_unit)r.unit;
	return LULL_GOT_READING;
}

const struct lull_live_ops lull_live_iio = {
	.open = open_adc, .close = close_adc, .fd = fd_of, .events = events, .due = due, .next = next};
