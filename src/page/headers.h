/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headers: what the Host and Cookie headers of a request say. Pure.
 *
 * A name in a stranger's web page can be made to point at this computer (DNS rebinding): the browser then takes that page and ours
 * for the same site. So only Host names are answered that such a stranger cannot own. */
#ifndef LULL_PAGE_HEADERS_H
#define LULL_PAGE_HEADERS_H

#include <netinet/in.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct lull_host {
	char name[254]; /* without a dot at its end; "" where it is an address */
	struct in6_addr address; /* IPv4 as ::ffff:a.b.c.d */
	uint16_t port; /* 80 unless told */
};

/* "192.168.4.1:8420", "[fd00::1]:8420", "car.local". False: no host (RFC 9110, 7.2; RFC 3986, 3.2.2); IP addresses in other spellings
 * than these, such as 2130706433, are names. */
bool lull_host_parse(const char *text, struct lull_host *);
/* 127.0.0.0/8, ::1, localhost. */
bool lull_host_is_loopback(const struct lull_host *);
/* That address, also where one of the two is the IPv4-mapped form. */
bool lull_host_is_address(const struct lull_host *, const struct sockaddr *);
/* `known` (a name or an address, as a person writes it), or known.local; whatever the case of letters. */
bool lull_host_is_known(const struct lull_host *, const char *known);

/* The next value of the cookie `name` in a Cookie header (RFC 6265, 4.2.1), which others may have filled with anything. *at begins as the
 * header and moves on. NULL: no more. The value is *size bytes long and ends in no 0. */
const char *lull_cookie_next(const char **at, const char *name, size_t *size);

#endif
