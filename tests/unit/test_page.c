/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The live view's server: who gets in, what is refused, news to every page, marks with a token only. */
#include <page/page.h>

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

struct fixture {
	struct lull_page_server *server;
	unsigned marks;
	char mark[LULL_PAGE_MARK + 1];
	double ago;
	bool gone;
	char cookie[256];
	char host[64]; /* as requests name it */
};

static char *status(void *ctx)
{
	return ((struct fixture *)ctx)->gone ? NULL : strdup("{\"format\":\"lull.status\"}");
}

static char *text(void *ctx, size_t *size)
{
	(void)ctx;
	*size = 5;
	return strdup("there");
}

static int mark(void *ctx, const char *what, double ago_s, char *err, size_t err_size)
{
	struct fixture *f = ctx;

	if (!strcmp(what, "refused")) {
		(void)snprintf(err, err_size, "not now");
		return -EBUSY;
	}
	f->marks++;
	f->ago = ago_s;
	(void)snprintf(f->mark, sizeof f->mark, "%s", what);
	return 0;
}

static int set_up(void **state)
{
	static struct fixture f;
	static const char *const names[] = {"bench", "192.168.4.1", NULL};
	const struct lull_page_source source = {.ctx = &f, .live = true, .status = status, .report = text, .trace = text, .mark = mark};
	char err[256];

	f = (struct fixture){0};
	f.server = lull_page_start("127.0.0.1", 0, names, &source, err, sizeof err);
	if (!f.server)
		fail_msg("%s", err);
	(void)snprintf(f.host, sizeof f.host, "127.0.0.1:%u", lull_page_port(f.server));
	*state = &f;
	return 0;
}

static int tear_down(void **state)
{
	lull_page_stop(((struct fixture *)*state)->server);
	return 0;
}

static int open_connection(const struct fixture *f)
{
	struct sockaddr_in a = {.sin_family = AF_INET, .sin_port = htons(lull_page_port(f->server)), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
	const int s = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);

	assert_true(s >= 0);
	assert_true(connect(s, (struct sockaddr *)&a, sizeof a) == 0 || errno == EINPROGRESS);
	return s;
}

/* Sends as much as is taken and reads until the other end closes, `enough` stands in what came, or nothing comes for a second. */
static size_t talk(struct fixture *f, int s, const char *request, size_t size, char *out, size_t room, const char *enough)
{
	size_t sent = 0, got = 0;

	out[0] = 0;
	for (unsigned idle = 0; idle < 100;) {
		struct pollfd fd[2] = {{.fd = s, .events = (short)(POLLIN | (sent < size ? POLLOUT : 0))},
			{.fd = lull_page_descriptor(f->server), .events = POLLIN}};
		ssize_t n;

		idle = poll(fd, 2, 10) > 0 ? 0 : idle + 1;
		lull_page_run(f->server);
		if (sent < size && fd[0].revents & POLLOUT) {
			n = send(s, request + sent, size - sent, MSG_NOSIGNAL);
			if (n < 0 && errno != EAGAIN)
				sent = size;
			else if (n > 0)
				sent += (size_t)n;
		}
		n = recv(s, out + got, room - 1 - got, 0);
		if (n == 0 || (n < 0 && errno != EAGAIN))
			break;
		if (n > 0) {
			got += (size_t)n;
			out[got] = 0;
			if (enough && strstr(out, enough))
				break;
		}
	}
	return got;
}

static char answer_text[65536];

/* One request with its own connection; the answer's status. */
static int ask(struct fixture *f, const char *method, const char *path, const char *headers, const char *body)
{
	static char request[32768];
	const int s = open_connection(f);
	const int n = snprintf(request, sizeof request, "%s %s HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n%s%s%s%sContent-Length: %zu\r\n\r\n%s", method, path,
		f->host, f->cookie[0] ? "Cookie: " : "", f->cookie, f->cookie[0] ? "\r\n" : "", headers, strlen(body), body);

	assert_true(n > 0 && (size_t)n < sizeof request);
	(void)talk(f, s, request, (size_t)n, answer_text, sizeof answer_text, NULL);
	assert_int_equal(close(s), 0);
	return strncmp(answer_text, "HTTP/1.1 ", 9) ? 0 : (int)strtol(answer_text + 9, NULL, 10);
}

static void get_in(struct fixture *f)
{
	char path[64];
	const char *cookie;

	(void)snprintf(path, sizeof path, "/?t=%s", lull_page_token(f->server, NULL));
	assert_int_equal(ask(f, "GET", path, "", ""), 303);
	cookie = strstr(answer_text, "Set-Cookie: ");
	assert_non_null(cookie);
	assert_non_null(strstr(cookie, "HttpOnly; SameSite=Strict"));
	assert_int_equal(sscanf(cookie, "Set-Cookie: %100[^;]", f->cookie), 1);
}

static void nobody_without_a_link(void **state)
{
	static const char *const places[] = {"/", "/page.js", "/live", "/status", "/report", "/session", "/mark", "/?t=", "/?t=00000000000000000000000000000000"};
	struct fixture *f = *state;

	for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
		assert_int_equal(ask(f, "GET", places[i], "", ""), 403);
		assert_int_equal(ask(f, "POST", places[i], "", "x"), 403);
	}
	(void)strcpy(f->cookie, "lull-1=00000000000000000000000000000000");
	assert_int_equal(ask(f, "GET", "/", "", ""), 403);
}

static void a_link_is_good_once(void **state)
{
	struct fixture *f = *state;
	char path[64];
	unsigned uses;

	(void)snprintf(path, sizeof path, "/?t=%s", lull_page_token(f->server, NULL));
	get_in(f);
	assert_int_equal(ask(f, "GET", "/", "", ""), 200);
	assert_non_null(strstr(answer_text, "Content-Security-Policy: default-src 'none'; script-src 'self';"));
	assert_null(strstr(answer_text, "unsafe"));
	assert_non_null(strstr(answer_text, "X-Content-Type-Options: nosniff"));
	f->cookie[0] = 0;
	assert_int_equal(ask(f, "GET", path, "", ""), 403);
	assert_string_not_equal(lull_page_token(f->server, &uses), path + 4);
	assert_int_equal(uses, 1);
	get_in(f);
	assert_int_equal(ask(f, "GET", "/page.css", "", ""), 200);
}

static void wrong_requests(void **state)
{
	static const char *const nowhere[] = {"/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/page.js/", "//", "/live/x", "/PAGE.JS"};
	struct fixture *f = *state;
	char *big = malloc(100000);
	char out[4096];
	int s;

	get_in(f);
	for (size_t i = 0; i < sizeof nowhere / sizeof nowhere[0]; i++)
		assert_int_equal(ask(f, "GET", nowhere[i], "", ""), 404);
	assert_int_equal(ask(f, "PUT", "/", "", "x"), 405);
	assert_non_null(strstr(answer_text, "Allow: GET"));
	assert_int_equal(ask(f, "DELETE", "/report", "", ""), 405);
	assert_int_equal(ask(f, "GET", "/mark", "", ""), 405);
	assert_non_null(strstr(answer_text, "Allow: POST"));
	/* 100 kB of headers */
	assert_non_null(big);
	memset(big, 'a', 100000);
	memcpy(big, "GET / HTTP/1.1\r\nX: ", 19);
	s = open_connection(f);
	(void)talk(f, s, big, 100000, out, sizeof out, NULL);
	assert_int_equal(close(s), 0);
	assert_true(!out[0] || strstr(out, " 431 "));
	free(big);
	/* no HTTP at all */
	s = open_connection(f);
	(void)talk(f, s, "\x16\x03\x01\x02\0\1\r\n\r\n", 10, out, sizeof out, NULL);
	assert_int_equal(close(s), 0);
	assert_null(strstr(out, " 200 "));
	assert_int_equal(ask(f, "GET", "/status", "", ""), 200);
}

static void marks_need_the_token(void **state)
{
	struct fixture *f = *state;
	char header[128], wrong[128], other[160], long_mark[200];
	const char *token;

	get_in(f);
	assert_int_equal(ask(f, "GET", "/session", "", ""), 200);
	token = strstr(answer_text, "\"token\":\"");
	assert_non_null(token);
	(void)snprintf(header, sizeof header, "X-Lull-Token: %.32s\r\n", token + 9);
	(void)snprintf(wrong, sizeof wrong, "X-Lull-Token: %s\r\n", strchr(f->cookie, '=') + 1);
	assert_int_equal(ask(f, "POST", "/mark", "", "morning"), 403);
	assert_int_equal(ask(f, "POST", "/mark", wrong, "morning"), 403);
	assert_int_equal(f->marks, 0);
	assert_int_equal(ask(f, "POST", "/mark", header, "morning"), 200);
	assert_int_equal(f->marks, 1);
	assert_string_equal(f->mark, "morning");
	(void)snprintf(other, sizeof other, "%sX-Lull-Ago: 4.5\r\n", header);
	assert_int_equal(ask(f, "POST", "/mark", other, "fuse out F12"), 200);
	assert_true(f->ago == 4.5);
	assert_int_equal(ask(f, "POST", "/mark", header, "refused"), 409);
	assert_non_null(strstr(answer_text, "not now"));
	assert_int_equal(ask(f, "POST", "/mark", header, ""), 400);
	memset(long_mark, 'x', sizeof long_mark - 1);
	long_mark[sizeof long_mark - 1] = 0;
	assert_int_equal(ask(f, "POST", "/mark", header, long_mark), 413);
	(void)snprintf(other, sizeof other, "%sX-Lull-Ago: nan\r\n", header);
	assert_int_equal(ask(f, "POST", "/mark", other, "x"), 400);
	assert_int_equal(f->marks, 2);
}

static void news_reach_every_page(void **state)
{
	struct fixture *f = *state;
	char request[512];
	int s[3];

	get_in(f);
	(void)snprintf(request, sizeof request, "GET /live HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\n\r\n", f->host, f->cookie);
	for (int i = 0; i < 3; i++) {
		s[i] = open_connection(f);
		(void)talk(f, s[i], request, strlen(request), answer_text, sizeof answer_text, "event-stream");
		assert_non_null(strstr(answer_text, "text/event-stream"));
	}
	for (int round = 0; round < 3; round++) {
		f->gone = round == 1;
		lull_page_tick(f->server);
		for (int i = 0; i < 3; i++) {
			const char *want = round == 1 ? "event: gone" : "event: status";

			(void)talk(f, s[i], "", 0, answer_text, sizeof answer_text, "\n\n");
			if (!strstr(answer_text, want))
				fail_msg("round %d, page %d: '%s'", round, i, answer_text);
		}
	}
	for (int i = 0; i < 3; i++)
		assert_int_equal(close(s[i]), 0);
	lull_page_tick(f->server);
	assert_int_equal(ask(f, "GET", "/", "", ""), 200);
}

/* More connections than there are places: the rest is refused, and later there is room again. */
static void a_thousand_connections(void **state)
{
	enum { MANY = 1000 };
	struct fixture *f = *state;
	int s[MANY];

	get_in(f);
	for (int i = 0; i < MANY; i++) {
		s[i] = open_connection(f);
		lull_page_run(f->server);
	}
	for (int i = 0; i < MANY; i++)
		assert_int_equal(close(s[i]), 0);
	for (int i = 0; i < 50; i++)
		lull_page_run(f->server);
	assert_int_equal(ask(f, "GET", "/", "", ""), 200);
}

/* A stranger's page whose name points at this computer: its browser sends that name, and every cookie that it has for it. */
static void only_its_own_names(void **state)
{
	static const struct {
		const char *host; /* %u: the server's port */
		int answer;
	} cases[] = {{"127.0.0.1:%u", 200}, {"localhost:%u", 200}, {"LOCALHOST.:%u", 200}, {"[::1]:%u", 200}, {"bench:%u", 200}, {"Bench.local:%u", 200},
		{"192.168.4.1:%u", 200}, {"evil.example:%u", 421}, {"bench.evil.example:%u", 421}, {"192.168.4.2:%u", 421}, {"0.0.0.0:%u", 421},
		{"[fd00::1]:%u", 421}, {"2130706433:%u", 421}, {"evil.example@127.0.0.1:%u", 421}, {"127.0.0.1:%u.evil.example", 421}, {"127.0.0.1", 421},
		{"127.0.0.1:%u1", 421}, {"bench", 421}, {"localhost:1", 421}, {"", 421}, {"[::1", 421}};
	struct fixture *f = *state;
	char own[64], path[64];

	get_in(f);
	(void)strcpy(own, f->host);
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		const char *port = strstr(cases[i].host, "%u");
		const int before = port ? (int)(port - cases[i].host) : (int)strlen(cases[i].host);

		if (port)
			(void)snprintf(f->host, sizeof f->host, "%.*s%u%s", before, cases[i].host, lull_page_port(f->server), port + 2);
		else
			(void)snprintf(f->host, sizeof f->host, "%s", cases[i].host);
		if (ask(f, "GET", "/status", "", "") != cases[i].answer)
			fail_msg("Host '%s': %.12s, not %d", f->host, answer_text, cases[i].answer);
		if (cases[i].answer == 421)
			assert_null(strstr(answer_text, "lull.status"));
	}
	/* Not even the right link works there, and it is not used up. */
	f->cookie[0] = 0;
	(void)strcpy(f->host, "evil.example");
	(void)snprintf(path, sizeof path, "/?t=%s", lull_page_token(f->server, NULL));
	assert_int_equal(ask(f, "GET", path, "", ""), 421);
	assert_null(strstr(answer_text, "Set-Cookie"));
	(void)strcpy(f->host, own);
	/* Two names are none. */
	assert_int_equal(ask(f, "GET", path, "Host: evil.example\r\n", ""), 421);
	assert_int_equal(ask(f, "GET", path, "", ""), 303);
}

/* Browsers keep cookies by host, whatever the port: what other services there have set comes along. */
static void cookies_of_others(void **state)
{
	static const char *const others[] = {"lull=00000000000000000000000000000000; %s", "sid=1; %s; theme=dark", "%s; lull=x; lull-1=y", "\"; %s", "broken; a\"b; {}=[]; %s",
		"=; ==x; ;;; %s ;", "\xff=\x80; %s"};
	struct fixture *f = *state;
	char own[128], name[64], header[300], *many;

	get_in(f);
	(void)strcpy(own, f->cookie);
	(void)snprintf(name, sizeof name, "lull-%u=", lull_page_port(f->server));
	assert_true(!strncmp(own, name, strlen(name)));
	for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
		const char *at = strstr(others[i], "%s");

		(void)snprintf(f->cookie, sizeof f->cookie, "%.*s%s%s", (int)(at - others[i]), others[i], own, at + 2);
		if (ask(f, "GET", "/status", "", "") != 200)
			fail_msg("Cookie '%s': %.12s", f->cookie, answer_text);
	}
	/* One of our name and another path stands first. */
	(void)snprintf(f->cookie, sizeof f->cookie, "%s0; %s", name, own);
	assert_int_equal(ask(f, "GET", "/status", "", ""), 200);
	/* In a header of its own. */
	(void)strcpy(f->cookie, "sid=1");
	(void)snprintf(header, sizeof header, "Cookie: %s\r\n", own);
	assert_int_equal(ask(f, "GET", "/status", header, ""), 200);
	/* 12 kB of others' cookies. */
	many = malloc(12300);
	assert_non_null(many);
	(void)strcpy(many, "Cookie: sid=");
	memset(many + 12, 'x', 12000);
	(void)strcpy(many + 12012, "\r\n");
	(void)strcpy(f->cookie, own);
	assert_int_equal(ask(f, "GET", "/status", many, ""), 200);
	free(many);
	/* And none of ours is no leave. */
	(void)snprintf(f->cookie, sizeof f->cookie, "lull=%s", own + strlen(name));
	assert_int_equal(ask(f, "GET", "/status", "", ""), 403);
	(void)snprintf(f->cookie, sizeof f->cookie, "%.*s", (int)strlen(own) - 1, own);
	assert_int_equal(ask(f, "GET", "/status", "", ""), 403);
}

static void addresses(void **state)
{
	const struct lull_page_source source = {.status = status, .report = text, .trace = text};
	char err[256];

	(void)state;
	assert_null(lull_page_start("the car", 0, NULL, &source, err, sizeof err));
	assert_non_null(strstr(err, "'the car' is no address"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(nobody_without_a_link, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_link_is_good_once, set_up, tear_down),
		cmocka_unit_test_setup_teardown(wrong_requests, set_up, tear_down),
		cmocka_unit_test_setup_teardown(marks_need_the_token, set_up, tear_down),
		cmocka_unit_test_setup_teardown(news_reach_every_page, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_thousand_connections, set_up, tear_down),
		cmocka_unit_test_setup_teardown(only_its_own_names, set_up, tear_down),
		cmocka_unit_test_setup_teardown(cookies_of_others, set_up, tear_down),
		cmocka_unit_test(addresses),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
