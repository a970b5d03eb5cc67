/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_helper: a small process that keeps CAP_NET_ADMIN when its parent gives it up, and sets up links on request. */
#include <source/can_helper.h>

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/capability.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define REQUEST_MARK 0x4c4c4b31u /* tells a request from anything else: one of this build */

/* What goes over the socket: no bool, no enum, since the other side may be somebody else by then. */
struct request {
	uint32_t mark, ticket;
	char name[LULL_LINK_NAME];
	uint32_t bitrate, sample_permille, fd_bitrate, fd_sample_permille, restart_ms;
	uint8_t accept_acknowledging, keep_down, pad[2];
};

struct lull_helper {
	int fd;
	pid_t pid;
	uint32_t tickets;
};

/* --- the helper's side --- */

static int keep_net_admin(uid_t uid, gid_t gid)
{
	static const cap_value_t net_admin = CAP_NET_ADMIN;
	cap_t caps;
	cap_value_t c;
	int r = 0;

	/* As far as it may: without CAP_SETPCAP the bounding set stays, and no_new_privs takes its place. */
	for (c = 0; c <= cap_max_bits(); c++) {
		if (c != CAP_NET_ADMIN && cap_drop_bound(c) && errno != EPERM && errno != EINVAL)
			r = -errno;
	}
	if (prctl(PR_SET_KEEPCAPS, 1, 0, 0, 0))
		return -errno;
	if (gid != (gid_t)-1 && ((geteuid() == 0 && setgroups(0, NULL)) || setresgid(gid, gid, gid)))
		return -errno;
	if (uid != (uid_t)-1 && setresuid(uid, uid, uid))
		return -errno;
	caps = cap_init(); /* all clear */
	if (!caps || cap_set_flag(caps, CAP_PERMITTED, 1, &net_admin, CAP_SET) ||
		cap_set_flag(caps, CAP_EFFECTIVE, 1, &net_admin, CAP_SET) || cap_set_proc(caps))
		r = -errno;
	if (caps)
		(void)cap_free(caps);
	(void)cap_reset_ambient();
	if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0))
		r = -errno;
	return r;
}

static void reset_signals(void)
{
	sigset_t none;
	int s;

	for (s = 1; s < NSIG; s++)
		(void)signal(s, SIG_DFL);
	(void)signal(SIGPIPE, SIG_IGN);
	(void)sigemptyset(&none);
	(void)sigprocmask(SIG_SETMASK, &none, NULL);
}

/* Nothing of the parent's stays open here: a recording, a socket on the bus. */
static void close_others(int fd)
{
	int null = open("/dev/null", O_RDWR | O_CLOEXEC);

	if (null >= 0) {
		(void)dup2(null, STDIN_FILENO);
		(void)dup2(null, STDOUT_FILENO);
	}
	if (fd > 3)
		(void)close_range(3, (unsigned)fd - 1, 0);
	(void)close_range((unsigned)fd + 1, ~0u, 0);
}

static void serve(const struct request *q, bool allow_acknowledging, const struct lull_link_io *io, struct lull_helper_answer *a)
{
	struct lull_link_spec spec = {.bitrate = q->bitrate,
		.sample_permille = q->sample_permille,
		.fd_bitrate = q->fd_bitrate,
		.fd_sample_permille = q->fd_sample_permille,
		.restart_ms = q->restart_ms,
		.accept_acknowledging = allow_acknowledging && q->accept_acknowledging == 1,
		.keep_down = q->keep_down == 1};

	memcpy(spec.name, q->name, sizeof spec.name);
	memset(a, 0, sizeof *a);
	a->result = lull_link_setup(io, &spec, &a->state, a->why, sizeof a->why);
	a->ticket = q->ticket;
}

static _Noreturn void helper(int fd, uid_t uid, gid_t gid, bool allow_acknowledging, const struct lull_link_io *io)
{
	const struct lull_link_io kernel = lull_link_kernel();
	char ready = 0;
	int r;

	close_others(fd);
	reset_signals();
	r = io ? 0 : keep_net_admin(uid, gid);
	/* After the change of identity, which would clear it. */
	if (prctl(PR_SET_PDEATHSIG, SIGKILL))
		r = -errno;
	ready = (char)(r ? -r : 0);
	if (send(fd, &ready, 1, MSG_NOSIGNAL) != 1 || r)
		_exit(1);
	for (;;) {
		struct request q;
		struct lull_helper_answer a;
		ssize_t n = recv(fd, &q, sizeof q, MSG_TRUNC);

		if (n == 0 || (n < 0 && errno != EINTR))
			_exit(0);
		if (n != (ssize_t)sizeof q || q.mark != REQUEST_MARK)
			continue; /* not one of ours: no answer */
		serve(&q, allow_acknowledging, io ? io : &kernel, &a);
		if (send(fd, &a, sizeof a, MSG_NOSIGNAL) != (ssize_t)sizeof a)
			_exit(0);
	}
}

/* --- the parent's side --- */

static bool has_net_admin(void)
{
	cap_flag_value_t has = CAP_CLEAR;
	cap_t caps = cap_get_proc();

	if (caps) {
		(void)cap_get_flag(caps, CAP_NET_ADMIN, CAP_PERMITTED, &has);
		(void)cap_free(caps);
	}
	return has == CAP_SET;
}

int lull_helper_start(struct lull_helper **out, uid_t uid, gid_t gid, bool allow_acknowledging, const struct lull_link_io *io)
{
	struct lull_helper *h;
	int ends[2];
	char ready = 1;

	*out = NULL;
	if (!io && !has_net_admin())
		return -EPERM;
	h = calloc(1, sizeof *h);
	if (!h)
		return -ENOMEM;
	if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, ends)) {
		int e = errno;

		free(h);
		return -e;
	}
	h->pid = fork();
	if (h->pid < 0) {
		int e = errno;

		(void)close(ends[0]);
		(void)close(ends[1]);
		free(h);
		return -e;
	}
	if (!h->pid) {
		(void)close(ends[0]);
		helper(ends[1], uid, gid, allow_acknowledging, io);
	}
	(void)close(ends[1]);
	h->fd = ends[0];
	/* It reports whether it got where it should; its death is an end of file. */
	if (recv(h->fd, &ready, 1, 0) != 1 || ready) {
		lull_helper_stop(h);
		return ready > 1 ? -(int)ready : -EPERM;
	}
	(void)fcntl(h->fd, F_SETFL, O_NONBLOCK);
	*out = h;
	return 0;
}

int lull_helper_fd(const struct lull_helper *h)
{
	return h->fd;
}

pid_t lull_helper_pid(const struct lull_helper *h)
{
	return h->pid;
}

int lull_helper_ask(struct lull_helper *h, const struct lull_link_spec *s, uint32_t *ticket)
{
	struct request q = {.mark = REQUEST_MARK,
		.bitrate = s->bitrate,
		.sample_permille = s->sample_permille,
		.fd_bitrate = s->fd_bitrate,
		.fd_sample_permille = s->fd_sample_permille,
		.restart_ms = s->restart_ms,
		.accept_acknowledging = s->accept_acknowledging,
		.keep_down = s->keep_down};
	char why[160];

	if (lull_link_spec_check(s, why, sizeof why))
		return -EINVAL;
	memcpy(q.name, s->name, sizeof q.name);
	q.ticket = h->tickets + 1;
	if (send(h->fd, &q, sizeof q, MSG_NOSIGNAL | MSG_DONTWAIT) != (ssize_t)sizeof q)
		return errno == EAGAIN || errno == ENOBUFS ? -EAGAIN : -EPIPE;
	*ticket = ++h->tickets;
	return 0;
}

int lull_helper_answer(struct lull_helper *h, struct lull_helper_answer *a)
{
	ssize_t n;

	do
		n = recv(h->fd, a, sizeof *a, MSG_DONTWAIT);
	while (n < 0 && errno == EINTR);
	if (n < 0)
		return errno == EAGAIN ? -EAGAIN : -EPIPE;
	if (n != (ssize_t)sizeof *a)
		return -EPIPE;
	a->why[sizeof a->why - 1] = 0;
	a->state.name[sizeof a->state.name - 1] = 0;
	return 0;
}

void lull_helper_stop(struct lull_helper *h)
{
	if (!h)
		return;
	(void)close(h->fd);
	/* It may be in the middle of a step; what it began is the kernel's to finish. */
	(void)kill(h->pid, SIGKILL);
	while (waitpid(h->pid, NULL, 0) < 0 && errno == EINTR)
		;
	free(h);
}
