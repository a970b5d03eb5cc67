/* SPDX-License-Identifier: GPL-3.0-or-later */
/* server: requests of the live view: who may, what there is, and news as server-sent events. */
#include <page/assets.h>
#include <page/page.h>
#include <page/request.h>

#include <arpa/inet.h>
#include <errno.h>
#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/socket.h>
#include <unistd.h>

#define SESSIONS 16 /* browsers that may look on; the one longest unseen makes room */

static const char policy[] = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
			     "base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

struct session {
	char cookie[LULL_PAGE_TOKEN], token[LULL_PAGE_TOKEN];
	uint64_t seen; /* 0: free */
};

/* One open page: what it gets next. */
struct listener {
	struct lull_page_server *server;
	struct MHD_Connection *connection;
	struct listener *next, *before;
	char *text; /* owned: the event under way */
	size_t size, at;
	uint64_t told; /* number of the last news */
	bool asleep;
};

struct lull_page_server {
	struct MHD_Daemon *daemon;
	struct lull_page_source source;
	struct session session[SESSIONS];
	char *name[LULL_PAGE_NAMES]; /* owned */
	size_t names;
	uint64_t clock; /* counts requests */
	char cookie[16]; /* its name: each port's is another one, since browsers keep cookies by host alone */
	char token[LULL_PAGE_TOKEN];
	unsigned uses;
	struct listener *listeners;
	char *news; /* owned: the status of the last tick as an event; NULL none */
	uint64_t number;
	bool ending;
};

/* One request on its way. */
struct request {
	char body[LULL_PAGE_MARK + 1];
	size_t size;
	bool too_long, begun;
};

static int new_token(char out[LULL_PAGE_TOKEN])
{
	unsigned char raw[(LULL_PAGE_TOKEN - 1) / 2];

	if (getrandom(raw, sizeof raw, 0) != (ssize_t)sizeof raw)
		return -EIO;
	for (size_t i = 0; i < sizeof raw; i++)
		(void)snprintf(out + 2 * i, 3, "%02x", raw[i]);
	return 0;
}

/* In a time that does not depend on where they differ. */
static bool same_bytes(const char *told, size_t size, const char *kept)
{
	unsigned char differ = 0;

	if (size != LULL_PAGE_TOKEN - 1 || !kept[0])
		return false;
	for (size_t i = 0; i < size; i++)
		differ |= (unsigned char)(told[i] ^ kept[i]);
	return !differ;
}

static bool same(const char *told, const char *kept)
{
	return told && same_bytes(told, strlen(told), kept);
}

struct search {
	struct lull_page_server *server;
	struct session *found;
};

static bool is_session(void *ctx, const char *value, size_t size)
{
	struct search *search = ctx;

	for (size_t i = 0; i < SESSIONS && !search->found; i++) {
		struct session *session = &search->server->session[i];

		if (session->seen && same_bytes(value, size, session->cookie))
			search->found = session;
	}
	return search->found != NULL;
}

static struct session *session_of(struct lull_page_server *s, struct MHD_Connection *c)
{
	struct search search = {.server = s};

	if (lull_request_has_cookie(c, s->cookie, is_session, &search))
		search.found->seen = ++s->clock;
	return search.found;
}

static struct session *new_session(struct lull_page_server *s)
{
	struct session *oldest = &s->session[0];

	for (size_t i = 1; i < SESSIONS; i++) {
		if (s->session[i].seen < oldest->seen)
			oldest = &s->session[i];
	}
	oldest->seen = 0;
	if (new_token(oldest->cookie) || new_token(oldest->token))
		return NULL;
	oldest->seen = ++s->clock;
	return oldest;
}

/* --- answers --- */

static void head(struct MHD_Response *r, const char *type)
{
	static const char *const always[][2] = {{"X-Content-Type-Options", "nosniff"}, {"Referrer-Policy", "no-referrer"},
		{"Cross-Origin-Resource-Policy", "same-origin"}, {"Cross-Origin-Opener-Policy", "same-origin"},
		{"Permissions-Policy", "camera=(), geolocation=(), microphone=()"}, {"Cache-Control", "no-store"}};

	(void)MHD_add_response_header(r, MHD_HTTP_HEADER_CONTENT_TYPE, type);
	(void)MHD_add_response_header(r, "Content-Security-Policy", policy);
	for (size_t i = 0; i < sizeof always / sizeof always[0]; i++)
		(void)MHD_add_response_header(r, always[i][0], always[i][1]);
}

/* Takes over `text` if owned. */
static enum MHD_Result answer(struct MHD_Connection *c, unsigned status, const char *type, const char *text, size_t size, bool owned)
{
	/* the library takes no const, and writes into none of them */
	union {
		const char *text;
		void *memory;
	} body = {.text = text};
	struct MHD_Response *r = MHD_create_response_from_buffer(size, body.memory, owned ? MHD_RESPMEM_MUST_FREE : MHD_RESPMEM_PERSISTENT);

	if (!r) {
		if (owned)
			free(body.memory);
		return MHD_NO;
	}
	head(r, type);
	const enum MHD_Result done = MHD_queue_response(c, status, r);
	MHD_destroy_response(r);
	return done;
}

static enum MHD_Result say(struct MHD_Connection *c, unsigned status, const char *text)
{
	return answer(c, status, "text/plain; charset=utf-8", text, strlen(text), false);
}

static enum MHD_Result json(struct MHD_Connection *c, char *text, size_t size)
{
	if (!text)
		return say(c, MHD_HTTP_SERVICE_UNAVAILABLE, "not to be had now\n");
	return answer(c, MHD_HTTP_OK, "application/json", text, size, true);
}

static enum MHD_Result not_allowed(struct MHD_Connection *c, const char *allow)
{
	static char text[] = "this method is not for this place\n";
	struct MHD_Response *r = MHD_create_response_from_buffer(sizeof text - 1, text, MHD_RESPMEM_PERSISTENT);

	if (!r)
		return MHD_NO;
	head(r, "text/plain; charset=utf-8");
	(void)MHD_add_response_header(r, MHD_HTTP_HEADER_ALLOW, allow);
	const enum MHD_Result done = MHD_queue_response(c, MHD_HTTP_METHOD_NOT_ALLOWED, r);
	MHD_destroy_response(r);
	return done;
}

/* The token was right: a cookie for it, and the next browser needs another. */
static enum MHD_Result let_in(struct lull_page_server *s, struct MHD_Connection *c)
{
	struct session *n = new_session(s);
	struct MHD_Response *r;
	char cookie[128];

	if (!n || new_token(s->token))
		return say(c, MHD_HTTP_INTERNAL_SERVER_ERROR, "no random numbers to be had\n");
	s->uses++;
	r = MHD_create_response_from_buffer(0, NULL, MHD_RESPMEM_PERSISTENT);
	if (!r)
		return MHD_NO;
	head(r, "text/plain; charset=utf-8");
	(void)snprintf(cookie, sizeof cookie, "%s=%s; HttpOnly; SameSite=Strict; Path=/; Max-Age=604800", s->cookie, n->cookie);
	(void)MHD_add_response_header(r, MHD_HTTP_HEADER_SET_COOKIE, cookie);
	(void)MHD_add_response_header(r, MHD_HTTP_HEADER_LOCATION, "/");
	const enum MHD_Result done = MHD_queue_response(c, MHD_HTTP_SEE_OTHER, r);
	MHD_destroy_response(r);
	return done;
}

/* --- news --- */

static void next_event(struct listener *l)
{
	struct lull_page_server *s = l->server;

	free(l->text);
	l->text = NULL;
	l->at = l->size = 0;
	if (l->told >= s->number || !s->news)
		return;
	l->text = strdup(s->news);
	l->size = l->text ? strlen(l->text) : 0;
	l->told = s->number;
}

static ssize_t read_news(void *ctx, uint64_t pos, char *buf, size_t max)
{
	struct listener *l = ctx;

	(void)pos;
	if (l->server->ending)
		return MHD_CONTENT_READER_END_OF_STREAM;
	if (l->at >= l->size)
		next_event(l);
	if (!l->size) {
		l->asleep = true;
		MHD_suspend_connection(l->connection);
		return 0;
	}
	const size_t n = l->size - l->at < max ? l->size - l->at : max;
	memcpy(buf, l->text + l->at, n);
	l->at += n;
	return (ssize_t)n;
}

static void end_news(void *ctx)
{
	struct listener *l = ctx;

	if (l->before)
		l->before->next = l->next;
	else
		l->server->listeners = l->next;
	if (l->next)
		l->next->before = l->before;
	free(l->text);
	free(l);
}

static enum MHD_Result listen_to_news(struct lull_page_server *s, struct MHD_Connection *c)
{
	struct listener *l = calloc(1, sizeof *l);
	struct MHD_Response *r;

	if (!l)
		return MHD_NO;
	l->server = s;
	l->connection = c;
	r = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, 16384, read_news, l, end_news);
	if (!r) {
		free(l);
		return MHD_NO;
	}
	l->next = s->listeners;
	if (l->next)
		l->next->before = l;
	s->listeners = l;
	head(r, "text/event-stream");
	const enum MHD_Result done = MHD_queue_response(c, MHD_HTTP_OK, r);
	MHD_destroy_response(r);
	return done;
}

static void wake_listeners(struct lull_page_server *s)
{
	for (struct listener *l = s->listeners; l; l = l->next) {
		if (!l->asleep)
			continue;
		l->asleep = false;
		MHD_resume_connection(l->connection);
	}
}

void lull_page_tick(struct lull_page_server *s)
{
	char *status = s->source.status(s->source.ctx);
	char *event = NULL;

	/* A page without news knows after some seconds that the recorder is gone; what it shows then is told to be old. */
	if (asprintf(&event, status ? "event: status\ndata: %s\n\n" : "event: gone\ndata: {}\n\n", status) < 0)
		event = NULL;
	free(status);
	if (!event)
		return;
	free(s->news);
	s->news = event;
	s->number++;
	wake_listeners(s);
}

/* --- requests --- */

static enum MHD_Result set_mark(struct lull_page_server *s, struct MHD_Connection *c, const struct session *who, struct request *r)
{
	const char *ago = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "X-Lull-Ago");
	char *end = NULL, err[256] = "";
	const double ago_s = ago ? strtod(ago, &end) : 0;

	if (!same(MHD_lookup_connection_value(c, MHD_HEADER_KIND, "X-Lull-Token"), who->token))
		return say(c, MHD_HTTP_FORBIDDEN, "a mark needs the page's token\n");
	if (!s->source.mark)
		return say(c, MHD_HTTP_CONFLICT, "this recording is finished: no more marks\n");
	if (r->too_long || !r->size)
		return say(c, r->too_long ? MHD_HTTP_CONTENT_TOO_LARGE : MHD_HTTP_BAD_REQUEST, "a mark has 1 to 160 bytes\n");
	if ((ago && (end == ago || *end)) || !(ago_s >= 0 && ago_s <= 60))
		return say(c, MHD_HTTP_BAD_REQUEST, "X-Lull-Ago is 0 to 60 seconds\n");
	r->body[r->size] = 0;
	if (memchr(r->body, 0, r->size))
		return say(c, MHD_HTTP_BAD_REQUEST, "a mark is text\n");
	if (s->source.mark(s->source.ctx, r->body, ago_s, err, sizeof err) != 0) {
		char *text = NULL;
		const int n = asprintf(&text, "%s\n", err);

		return n < 0 ? MHD_NO : answer(c, MHD_HTTP_CONFLICT, "text/plain; charset=utf-8", text, (size_t)n, true);
	}
	return say(c, MHD_HTTP_OK, "set\n");
}

static enum MHD_Result session_token(struct MHD_Connection *c, const struct lull_page_server *s, const struct session *who)
{
	char *text = NULL;
	const int n = asprintf(&text, "{\"token\":\"%s\",\"live\":%s,\"marks\":%s}", who->token, s->source.live ? "true" : "false",
		s->source.mark ? "true" : "false");

	return json(c, n < 0 ? NULL : text, n < 0 ? 0 : (size_t)n);
}

static enum MHD_Result get(struct lull_page_server *s, struct MHD_Connection *c, const char *path, const struct session *who)
{
	const struct lull_page_asset *asset = lull_page_asset(path);
	size_t size = 0;
	char *text;

	if (asset)
		return answer(c, MHD_HTTP_OK, asset->type, asset->data, asset->size, false);
	if (!strcmp(path, "/live"))
		return listen_to_news(s, c);
	if (!strcmp(path, "/session"))
		return session_token(c, s, who);
	if (!strcmp(path, "/status")) {
		text = s->source.status(s->source.ctx);
		return json(c, text, text ? strlen(text) : 0);
	}
	if (!strcmp(path, "/trace")) {
		text = s->source.trace(s->source.ctx, &size);
		return json(c, text, size);
	}
	if (!strcmp(path, "/report")) {
		text = s->source.report(s->source.ctx, &size);
		return text ? answer(c, MHD_HTTP_OK, "text/html; charset=utf-8", text, size, true) :
			      say(c, MHD_HTTP_SERVICE_UNAVAILABLE, "there is no report yet\n");
	}
	return say(c, MHD_HTTP_NOT_FOUND, "there is nothing here\n");
}

static enum MHD_Result handle(void *ctx, struct MHD_Connection *c, const char *path, const char *method, const char *version, const char *data,
	size_t *size, void **state)
{
	struct lull_page_server *s = ctx;
	struct request *r = *state;
	const bool post = !strcmp(method, MHD_HTTP_METHOD_POST), read = !strcmp(method, MHD_HTTP_METHOD_GET);

	(void)version;
	if (!r) {
		r = *state = calloc(1, sizeof *r);
		return r ? MHD_YES : MHD_NO;
	}
	if (*size) {
		const size_t n = *size;

		if (r->size + n > LULL_PAGE_MARK)
			r->too_long = true;
		else
			memcpy(r->body + r->size, data, n);
		r->size += r->too_long ? 0 : n;
		*size = 0;
		return MHD_YES;
	}
	if (!lull_request_is_for(c, (const char *const *)s->name, s->names, lull_page_port(s)))
		return say(c, MHD_HTTP_MISDIRECTED_REQUEST,
			"This page is not shown under this name or port. Take the link that lull shows, or name this computer to it with --host NAME.\n");
	struct session *who = session_of(s, c);

	if (!who && read && !strcmp(path, "/") && same(MHD_lookup_connection_value(c, MHD_GET_ARGUMENT_KIND, "t"), s->token))
		return let_in(s, c);
	if (!who)
		return say(c, MHD_HTTP_FORBIDDEN,
			"This page needs the link that the recorder shows as a QR code. Each link is good for one browser: ask for a new one "
			"where lull runs.\n");
	if (!strcmp(path, "/mark"))
		return post ? set_mark(s, c, who, r) : not_allowed(c, "POST");
	if (!read)
		return not_allowed(c, "GET");
	return get(s, c, path, who);
}

static void done(void *ctx, struct MHD_Connection *c, void **state, enum MHD_RequestTerminationCode why)
{
	(void)ctx;
	(void)c;
	(void)why;
	free(*state);
	*state = NULL;
}

/* --- life --- */

static void quiet(void *ctx, const char *format, va_list list)
{
	(void)ctx;
	(void)format;
	(void)list;
}

static void end(struct lull_page_server *s)
{
	for (size_t i = 0; s && i < s->names; i++)
		free(s->name[i]);
	free(s);
}

static struct lull_page_server *begin(const char *const *names)
{
	struct lull_page_server *s = calloc(1, sizeof *s);

	for (; s && names && *names; names++) {
		char *copy = s->names < LULL_PAGE_NAMES ? strdup(*names) : NULL;

		if (!copy) {
			end(s);
			return NULL;
		}
		s->name[s->names++] = copy;
	}
	return s;
}

struct lull_page_server *lull_page_start(const char *address, uint16_t port, const char *const *names, const struct lull_page_source *source,
	char *err, size_t err_size)
{
	struct lull_page_server *s = begin(names);
	struct sockaddr_in in4 = {.sin_family = AF_INET, .sin_port = htons(port)};
	struct sockaddr_in6 in6 = {.sin6_family = AF_INET6, .sin6_port = htons(port)};
	const bool v6 = inet_pton(AF_INET6, address, &in6.sin6_addr) == 1;

	if (!s || new_token(s->token)) {
		(void)snprintf(err, err_size, "%s", s ? "no random numbers to be had" : "out of memory");
		end(s);
		return NULL;
	}
	if (!v6 && inet_pton(AF_INET, address, &in4.sin_addr) != 1) {
		(void)snprintf(err, err_size, "'%s' is no address; write 127.0.0.1, or 0.0.0.0 for every network this computer is in", address);
		end(s);
		return NULL;
	}
	s->source = *source;
	errno = 0;
	s->daemon = MHD_start_daemon(MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG | (v6 ? MHD_USE_IPv6 : 0), port, NULL, NULL, handle,
		s, MHD_OPTION_EXTERNAL_LOGGER, quiet, NULL, MHD_OPTION_SOCK_ADDR, v6 ? (struct sockaddr *)&in6 : (struct sockaddr *)&in4,
		MHD_OPTION_NOTIFY_COMPLETED, done, NULL, MHD_OPTION_CONNECTION_LIMIT, (unsigned)LULL_PAGE_CONNECTIONS,
		MHD_OPTION_PER_IP_CONNECTION_LIMIT, (unsigned)LULL_PAGE_FROM_ONE, MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)LULL_PAGE_IDLE_S,
		MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)LULL_PAGE_REQUEST + 4096, MHD_OPTION_END);
	if (!s->daemon) {
		(void)snprintf(err, err_size, "cannot listen on %s, port %u: %s", address, port, strerror(errno ? errno : EADDRINUSE));
		end(s);
		return NULL;
	}
	(void)snprintf(s->cookie, sizeof s->cookie, "lull-%u", lull_page_port(s));
	return s;
}

uint16_t lull_page_port(const struct lull_page_server *s)
{
	const union MHD_DaemonInfo *i = MHD_get_daemon_info(s->daemon, MHD_DAEMON_INFO_BIND_PORT);

	return i ? i->port : 0;
}

int lull_page_descriptor(const struct lull_page_server *s)
{
	const union MHD_DaemonInfo *i = MHD_get_daemon_info(s->daemon, MHD_DAEMON_INFO_EPOLL_FD);

	return i ? i->epoll_fd : -1;
}

int lull_page_wait_ms(const struct lull_page_server *s)
{
	MHD_UNSIGNED_LONG_LONG ms;

	return MHD_get_timeout(s->daemon, &ms) == MHD_YES ? (int)(ms < 1000 ? ms : 1000) : -1;
}

void lull_page_run(struct lull_page_server *s)
{
	(void)MHD_run(s->daemon);
}

const char *lull_page_token(const struct lull_page_server *s, unsigned *uses)
{
	if (uses)
		*uses = s->uses;
	return s->token;
}

void lull_page_stop(struct lull_page_server *s)
{
	if (!s)
		return;
	s->ending = true;
	wake_listeners(s);
	MHD_run(s->daemon);
	MHD_stop_daemon(s->daemon);
	free(s->news);
	end(s);
}
