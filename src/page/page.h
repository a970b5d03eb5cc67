/* SPDX-License-Identifier: GPL-3.0-or-later */
/* page: the live view in a browser, served over HTTP by libmicrohttpd: read-only but for marks.
 *
 * Who may see it: a link with a token, shown as a QR code, is good for one browser, which gets a cookie for it (HttpOnly,
 * SameSite=Strict, its name with the port in it); then the next link is another one. Every request without the cookie is refused. A mark needs, besides the
 * cookie, a second token in the header X-Lull-Token, which only the page itself can read (GET /session). No script and no
 * style but the page's own files run (Content-Security-Policy).
 *
 * Only requests for loopback, for the address that they came to, and for the names that the server was started with are answered, at its
 * port (headers.h says why).
 *
 * One thread, no clock of its own: the caller waits on the descriptor, runs, and ticks once a second. */
#ifndef LULL_PAGE_PAGE_H
#define LULL_PAGE_PAGE_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LULL_PAGE_TOKEN 33 /* bytes of a token as text, with the terminator: 128 bits in hex */
#define LULL_PAGE_CONNECTIONS 32
#define LULL_PAGE_FROM_ONE 8 /* connections from one address */
#define LULL_PAGE_IDLE_S 15 /* a client that neither sends nor takes anything for so long is dropped */
#define LULL_PAGE_REQUEST 32768 /* bytes of request line and headers: browsers send the cookies of other services here too */
#define LULL_PAGE_NAMES 4
#define LULL_PAGE_MARK 160 /* bytes of a mark */

/* What is shown. Texts are allocated and belong to the caller; NULL: not to be had now. */
struct lull_page_source {
	void *ctx;
	bool live;
	char *(*status)(void *ctx); /* one line of JSON, lull.status 1 */
	char *(*report)(void *ctx, size_t *size); /* the HTML report, its style and script linked and not inside */
	char *(*trace)(void *ctx, size_t *size); /* JSON: {"from_s", "step_s", "least": [], "most": [], "mean": []}, mA */
	/* NULL: marks cannot be set. `ago_s`: how long ago it was, 0 to 60. 0, or an error with a sentence. */
	int (*mark)(void *ctx, const char *text, double ago_s, char *err, size_t err_size);
};

struct lull_page_server;

/* address: "127.0.0.1", "::1", "0.0.0.0"...; port 0: any. names: at most LULL_PAGE_NAMES names or addresses of this computer, then NULL; each
 * with ".local" behind it counts too; may be NULL. NULL with a sentence. Source and names are copied. */
struct lull_page_server *lull_page_start(const char *address, uint16_t port, const char *const *names, const struct lull_page_source *, char *err,
	size_t err_size);
void lull_page_stop(struct lull_page_server *);
uint16_t lull_page_port(const struct lull_page_server *);
/* Readable when something is to do; and how long to wait at most, ms (-1: no limit). */
int lull_page_descriptor(const struct lull_page_server *);
int lull_page_wait_ms(const struct lull_page_server *);
void lull_page_run(struct lull_page_server *);
/* The news goes out to every open page. */
void lull_page_tick(struct lull_page_server *);
/* The token that the next browser needs: link is "/?t=TOKEN". Changes when it was used; *uses counts that. */
const char *lull_page_token(const struct lull_page_server *, unsigned *uses);

#endif
