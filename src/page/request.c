/* SPDX-License-Identifier: GPL-3.0-or-later */
/* request: what the server asks of a request's headers. */
#include <page/request.h>

#include <microhttpd.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>

struct hosts {
	const char *first;
	unsigned count;
};

static enum MHD_Result take_host(void *ctx, enum MHD_ValueKind kind, const char *key, const char *value)
{
	struct hosts *hosts = ctx;

	(void)kind;
	if (strcasecmp(key, MHD_HTTP_HEADER_HOST) != 0)
		return MHD_YES;
	if (!hosts->count++)
		hosts->first = value;
	return MHD_YES;
}

static bool came_to(struct MHD_Connection *c, const struct lull_host *host)
{
	const union MHD_ConnectionInfo *i = MHD_get_connection_info(c, MHD_CONNECTION_INFO_CONNECTION_FD);
	struct sockaddr_storage own;
	socklen_t size = sizeof own;

	return i && !getsockname(i->connect_fd, (struct sockaddr *)&own, &size) && lull_host_is_address(host, (const struct sockaddr *)&own);
}

bool lull_request_is_for(struct MHD_Connection *c, const char *const *names, size_t n, uint16_t port)
{
	struct hosts hosts = {0};
	struct lull_host host;

	(void)MHD_get_connection_values(c, MHD_HEADER_KIND, take_host, &hosts);
	if (hosts.count != 1 || !hosts.first || !lull_host_parse(hosts.first, &host) || host.port != port)
		return false;
	for (size_t i = 0; i < n; i++)
		if (lull_host_is_known(&host, names[i]))
			return true;
	return lull_host_is_loopback(&host) || came_to(c, &host);
}

struct cookies {
	const char *name;
	bool (*is)(void *ctx, const char *value, size_t size);
	void *ctx;
	bool found;
};

static enum MHD_Result take_cookies(void *ctx, enum MHD_ValueKind kind, const char *key, const char *value)
{
	struct cookies *cookies = ctx;
	const char *found;
	size_t size;

	(void)kind;
	if (strcasecmp(key, MHD_HTTP_HEADER_COOKIE) != 0 || !value)
		return MHD_YES;
	while (!cookies->found && (found = lull_cookie_next(&value, cookies->name, &size)))
		cookies->found = cookies->is(cookies->ctx, found, size);
	return cookies->found ? MHD_NO : MHD_YES;
}

bool lull_request_has_cookie(struct MHD_Connection *c, const char *name, bool (*is)(void *ctx, const char *value, size_t size), void *ctx)
{
	struct cookies cookies = {.name = name, .is = is, .ctx = ctx};

	(void)MHD_get_connection_values(c, MHD_HEADER_KIND, take_cookies, &cookies);
	return cookies.found;
}
