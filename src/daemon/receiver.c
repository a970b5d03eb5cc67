/* SPDX-License-Identifier: GPL-3.0-or-later */
/* receiver: starts, asks and ends the process that listens. */
#include <daemon/receiver.h>
#include <source/can_confine.h>

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#define RING_SECONDS 10

static void child(const struct lull_receiver *r, pid_t parent, const struct lull_identity *identity, bool confined)
{
	sigset_t all;

	/* The main process stops it; a signal to the whole group is not for it. */
	(void)sigfillset(&all);
	(void)sigprocmask(SIG_BLOCK, &all, NULL);
	(void)prctl(PR_SET_PDEATHSIG, SIGKILL);
	(void)prctl(PR_SET_NAME, "lulld-receiver");
	if (getppid() != parent)
		_exit(1);
	int null = open("/dev/null", O_RDWR | O_CLOEXEC);

	if (null >= 0) {
		(void)dup2(null, 0);
		(void)dup2(null, 1);
		(void)dup2(null, 2);
	}
	/* Nothing of the main process's is needed here but the two descriptors. */
	unsigned low = (unsigned)(r->kick < r->news ? r->kick : r->news);
	unsigned high = (unsigned)(r->kick < r->news ? r->news : r->kick);

	if (low > 3)
		(void)close_range(3, low - 1, 0);
	if (high > low + 1)
		(void)close_range(low + 1, high - 1, 0);
	(void)close_range(high + 1, ~0u, 0);
	if (lull_privileges_drop(identity, true))
		_exit(2);
	/* A change of user takes the wish for an end with the parent away. */
	(void)prctl(PR_SET_PDEATHSIG, SIGKILL);
	int news = r->news;

	if (confined && lull_can_confine(r->kick, &news))
		_exit(2);
	_exit(lull_receive(r->shared, r->kick, news));
}

int lull_receiver_start(struct lull_receiver *r, uint64_t bitrates, const struct lull_identity *identity, bool confined)
{
	const size_t ring = lull_ring_bytes(bitrates, RING_SECONDS);
	int err = 0;

	*r = (struct lull_receiver){.pid = -1, .kick = -1, .news = -1, .size = sizeof(struct lull_shared) + ring};
	r->shared = mmap(NULL, r->size, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
	if (r->shared == MAP_FAILED) {
		r->shared = NULL;
		return -errno;
	}
	lull_ring_init(&r->shared->ring, ring);
	r->kick = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
	r->news = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
	if (r->kick < 0 || r->news < 0)
		err = -errno;
	const pid_t parent = getpid();

	if (!err) {
		r->pid = fork();
		if (r->pid < 0)
			err = -errno;
		else if (!r->pid)
			child(r, parent, identity, confined);
	}
	if (err)
		lull_receiver_stop(r);
	return err;
}

static void kick(const struct lull_receiver *r)
{
	(void)eventfd_write(r->kick, 1);
}

void lull_receiver_listen(struct lull_receiver *r, unsigned bus, int index)
{
	atomic_store_explicit(&r->shared->wanted[bus].index, index, memory_order_relaxed);
	atomic_fetch_add_explicit(&r->shared->wanted[bus].generation, 1, memory_order_release);
	kick(r);
}

void lull_receiver_ping(struct lull_receiver *r)
{
	atomic_fetch_add_explicit(&r->shared->ping, 1, memory_order_release);
	kick(r);
}

bool lull_receiver_answered(const struct lull_receiver *r)
{
	return atomic_load_explicit(&r->shared->pong, memory_order_acquire) ==
		atomic_load_explicit(&r->shared->ping, memory_order_relaxed);
}

void lull_receiver_stop(struct lull_receiver *r)
{
	if (r->pid > 0) {
		atomic_store_explicit(&r->shared->stop, 1, memory_order_release);
		kick(r);
		/* It needs some milliseconds; what does not end within 300 is ended. */
		for (int i = 0; i < 30 && waitpid(r->pid, NULL, WNOHANG) == 0; i++) {
			(void)poll(NULL, 0, 10);
			if (i == 29) {
				(void)kill(r->pid, SIGKILL);
				(void)waitpid(r->pid, NULL, 0);
			}
		}
		r->pid = -1;
	}
	if (r->kick >= 0)
		(void)close(r->kick);
	if (r->news >= 0)
		(void)close(r->news);
	r->kick = r->news = -1;
	if (r->shared)
		(void)munmap(r->shared, r->size);
	r->shared = NULL;
}
