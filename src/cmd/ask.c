/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ask: a word to the recorder over its control socket, and its answer. */
#include <cmd/ask.h>
#include <cmd/cmd.h>
#include <errno.h>
#include <poll.h>
#include <source/config.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define ANSWER_MOST (256 * 1024)
#define WAIT_MS 15000 /* a card that is slow to sync */

const char *lull_ask_path(const char *told)
{
	static struct lull_config config;
	char err[256];

	if (told)
		return told;
	if (access(LULL_CONFIG_PATH, R_OK) || lull_config_read(LULL_CONFIG_PATH, &config, err, sizeof err))
		lull_config_defaults(&config);
	return config.socket;
}

static void say_why(const char *path, int error, char *err, size_t err_size)
{
	if (error == ENOENT || error == ECONNREFUSED)
		(void)snprintf(err, err_size, "%s: no recorder answers there; is it running? (systemctl start lulld)", path);
	else if (error == EACCES || error == EPERM)
		(void)snprintf(err, err_size, "%s: not allowed; join the recorder's group (adduser %s lull), then log in again", path,
			getenv("USER") ? getenv("USER") : "USER");
	else
		(void)snprintf(err, err_size, "%s: %s", path, strerror(error));
}

static int connect_to(const char *path, int *fd)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	const int size = ANSWER_MOST;

	if (strlen(path) >= sizeof address.sun_path)
		return ENAMETOOLONG;
	memcpy(address.sun_path, path, strlen(path));
	*fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
	if (*fd < 0)
		return errno;
	(void)setsockopt(*fd, SOL_SOCKET, SO_RCVBUF, &size, sizeof size);
	return connect(*fd, (const struct sockaddr *)&address, sizeof address) ? errno : 0;
}

/* The packet, malloc()ed; NULL with *error set. */
static char *receive(int fd, int wait_ms, size_t *n, int *error)
{
	struct pollfd p = {.fd = fd, .events = POLLIN};
	const int ready = poll(&p, 1, wait_ms);
	char *text = ready > 0 ? malloc(ANSWER_MOST) : NULL;

	*error = ready < 0 ? errno : ready ? ENOMEM : ETIMEDOUT;
	if (!text)
		return NULL;
	const ssize_t got = recv(fd, text, ANSWER_MOST, 0);

	*error = got < 0 ? errno : ECONNRESET;
	if (got <= 0) {
		free(text);
		return NULL;
	}
	*n = (size_t)got;
	return text;
}

int lull_ask_try(const char *path, const char *request, int wait_ms, json_t **answer, char *err, size_t err_size)
{
	int fd = -1, error = connect_to(path, &fd);
	char *text = NULL;
	size_t n = 0;

	*answer = NULL;
	if (!error && send(fd, request, strlen(request), MSG_NOSIGNAL) < 0)
		error = errno;
	if (!error)
		text = receive(fd, wait_ms, &n, &error);
	if (fd >= 0)
		(void)close(fd);
	if (!text) {
		say_why(path, error, err, err_size);
		return -error;
	}
	*answer = json_loadb(text, n, 0, NULL);
	free(text);
	if (!*answer) {
		(void)snprintf(err, err_size, "%s: the answer cannot be read: is this lull as old as the recorder?", path);
		return -EPROTO;
	}
	if (json_is_true(json_object_get(*answer, "ok")))
		return 0;
	const char *why = json_string_value(json_object_get(*answer, "error"));

	(void)snprintf(err, err_size, "the recorder refuses: %s", why ? why : "no reason told");
	json_decref(*answer);
	*answer = NULL;
	return -EINVAL;
}

int lull_ask(const char *who, const char *path, const char *request, json_t **answer)
{
	char err[512];

	return lull_ask_try(path, request, WAIT_MS, answer, err, sizeof err) ? lull_fail(who, "%s", err) : 0;
}
