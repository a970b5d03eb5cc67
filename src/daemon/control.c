/* SPDX-License-Identifier: GPL-3.0-or-later */
/* control: the UNIX socket over which marks are given and the state is asked for. */
#include <daemon/control.h>
#include <daemon/log.h>

#include <errno.h>
#include <grp.h>
#include <jansson.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define CLIENTS 16
#define GROUPS 256

/* What whoever asks may ask for. */
enum rights { NONE, MARKS, ALL };

struct client {
	enum rights rights;
	struct lull_control *control;
	sd_event_source *source;
	int fd;
	uint64_t age;
};

struct lull_control {
	int fd;
	char path[108];
	gid_t group;
	uid_t viewer; /* -1: none */
	sd_event *event;
	sd_event_source *source;
	lull_control_handler *handler;
	void *ctx;
	struct client client[CLIENTS];
	uint64_t ages;
};

static int find_group(const char *name, gid_t *gid, char *err, size_t err_size)
{
	const struct group *entry = getgrnam(name); // cppcheck-suppress getgrnamCalled ; one thread

	*gid = getegid();
	if (entry) {
		*gid = entry->gr_gid;
		return 0;
	}
	(void)snprintf(err, err_size,
		"there is no group '%s' for the control socket: make one (addgroup --system %s), or name another with group = in "
		"[control]",
		name, name);
	return -EINVAL;
}

/* A socket that nobody answers at is left over; one that is answered is another recorder's. */
static int clear_way(const struct sockaddr_un *address)
{
	struct stat st;

	if (lstat(address->sun_path, &st))
		return errno == ENOENT ? 0 : -errno;
	if (!S_ISSOCK(st.st_mode))
		return -EEXIST;
	const int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);

	if (fd < 0)
		return -errno;
	const bool answered = !connect(fd, (const struct sockaddr *)address, sizeof *address);

	(void)close(fd);
	if (answered)
		return -EADDRINUSE;
	return unlink(address->sun_path) ? -errno : 0;
}

int lull_control_open(struct lull_control **out, const char *path, const char *group, char *err, size_t err_size)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	struct lull_control *c = calloc(1, sizeof *c);
	int r = 0;

	*out = NULL;
	if (!c) {
		(void)snprintf(err, err_size, "out of memory");
		return -ENOMEM;
	}
	for (unsigned i = 0; i < CLIENTS; i++)
		c->client[i].fd = -1;
	c->fd = -1;
	c->viewer = (uid_t)-1;
	(void)snprintf(c->path, sizeof c->path, "%s", path);
	(void)snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
	r = find_group(group, &c->group, err, err_size);
	if (r) {
		free(c);
		return r;
	}
	r = clear_way(&address);
	if (!r && (c->fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0)) < 0)
		r = -errno;
	if (!r) {
		/* Nobody may slip in between its making and its mode. */
		const mode_t mask = umask(0177);

		if (bind(c->fd, (const struct sockaddr *)&address, sizeof address))
			r = -errno;
		(void)umask(mask);
	}
	if (!r && (chown(path, (uid_t)-1, c->group) || chmod(path, 0660) || listen(c->fd, CLIENTS)))
		r = -errno;
	if (r) {
		(void)snprintf(err, err_size, "%s: the control socket cannot be made: %s", path,
			r == -EADDRINUSE ? "another lulld answers there" : strerror(-r));
		if (c->fd >= 0)
			(void)close(c->fd);
		free(c);
		return r;
	}
	*out = c;
	return 0;
}

/* --- who asks --- */

void lull_control_viewer(struct lull_control *c, const char *user)
{
	const struct passwd *entry = getpwnam(user); // cppcheck-suppress getpwnamCalled ; one thread

	c->viewer = entry ? entry->pw_uid : (uid_t)-1;
}

static enum rights rights_of(const struct lull_control *c, int fd)
{
	struct ucred peer;
	gid_t groups[GROUPS];
	socklen_t size = sizeof peer;

	if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size) || size != sizeof peer)
		return NONE;
	if (peer.uid == 0 || peer.uid == geteuid())
		return ALL;
	if (peer.uid == c->viewer)
		return MARKS;
	if (peer.gid == c->group)
		return ALL;
	size = sizeof groups;
	if (getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &size))
		return NONE;
	for (unsigned i = 0; i < size / sizeof groups[0]; i++)
		if (groups[i] == c->group)
			return ALL;
	return NONE;
}

static bool may(enum rights rights, enum lull_verb verb)
{
	switch (verb) {
	case LULL_VERB_MARK:
	case LULL_VERB_STATUS: return rights != NONE;
	case LULL_VERB_NEW: break;
	}
	return rights == ALL;
}

static void drop(struct client *client)
{
	client->source = sd_event_source_disable_unref(client->source);
	if (client->fd >= 0)
		(void)close(client->fd);
	client->fd = -1;
}

static char *refusal(const char *why)
{
	json_t *json = json_pack("{s:b, s:s}", "ok", 0, "error", why);
	char *text = json ? json_dumps(json, JSON_COMPACT) : NULL;

	json_decref(json);
	return text;
}

static int on_request(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	struct client *client = ctx;
	char bytes[LULL_COMMAND_MOST + 1], err[128], *answer;
	struct lull_command command;
	const ssize_t n = recv(fd, bytes, sizeof bytes, MSG_DONTWAIT | MSG_TRUNC);

	(void)source;
	(void)revents;
	if (n < 0 && (errno == EAGAIN || errno == EINTR))
		return 0;
	if (n <= 0) {
		drop(client);
		return 0;
	}
	if (lull_command_parse(bytes, (size_t)n, &command, err, sizeof err))
		answer = refusal(err);
	else if (!may(client->rights, command.verb))
		answer = refusal("the page's user may set marks and ask for the state only; ask as a member of the control group");
	else
		answer = client->control->handler(client->control->ctx, &command);
	/* Who does not fetch an answer is not waited for. */
	if (!answer || send(fd, answer, strlen(answer), MSG_DONTWAIT | MSG_NOSIGNAL) < 0)
		drop(client);
	free(answer);
	return 0;
}

static struct client *place_for(struct lull_control *c)
{
	struct client *oldest = &c->client[0];

	for (unsigned i = 0; i < CLIENTS; i++) {
		if (c->client[i].fd < 0)
			return &c->client[i];
		if (c->client[i].age < oldest->age)
			oldest = &c->client[i];
	}
	drop(oldest);
	return oldest;
}

static int on_caller(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	struct lull_control *c = ctx;
	struct sockaddr_un address;
	socklen_t length = sizeof address;
	const int size = LULL_ANSWER_MOST;
	const int caller = accept4(fd, (struct sockaddr *)&address, &length, SOCK_CLOEXEC | SOCK_NONBLOCK);

	(void)source;
	(void)revents;
	if (caller < 0)
		return 0;
	const enum rights rights = rights_of(c, caller);

	if (rights == NONE) {
		lull_log(SD_WARNING, "somebody outside the control group asked, and was refused");
		(void)close(caller);
		return 0;
	}
	(void)setsockopt(caller, SOL_SOCKET, SO_SNDBUF, &size, sizeof size);
	struct client *client = place_for(c);

	*client = (struct client){.rights = rights, .control = c, .fd = caller, .age = ++c->ages};
	if (sd_event_add_io(c->event, &client->source, caller, EPOLLIN, on_request, client) < 0)
		drop(client);
	return 0;
}

int lull_control_attach(struct lull_control *c, sd_event *event, lull_control_handler *handler, void *ctx)
{
	c->event = event;
	c->handler = handler;
	c->ctx = ctx;
	const int r = sd_event_add_io(event, &c->source, c->fd, EPOLLIN, on_caller, c);

	return r < 0 ? r : 0;
}

void lull_control_close(struct lull_control *c)
{
	if (!c)
		return;
	for (unsigned i = 0; i < CLIENTS; i++)
		drop(&c->client[i]);
	(void)sd_event_source_disable_unref(c->source);
	(void)close(c->fd);
	(void)unlink(c->path);
	free(c);
}
