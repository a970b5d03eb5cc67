/* SPDX-License-Identifier: GPL-3.0-or-later */
/* request: what the server asks of a request's headers. */
#ifndef LULL_PAGE_REQUEST_H
#define LULL_PAGE_REQUEST_H

#include <page/headers.h>

struct MHD_Connection;

/* It has one Host, and that is loopback, the address that it came to, or one of n names, with the server's port. */
bool lull_request_is_for(struct MHD_Connection *, const char *const *names, size_t n, uint16_t port);
/* Whether `is` holds for any value of the cookie `name`: others on this host may have set one of that name too. */
bool lull_request_has_cookie(struct MHD_Connection *, const char *name, bool (*is)(void *ctx, const char *value, size_t size), void *ctx);

#endif
