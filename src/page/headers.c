/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headers: what the Host and Cookie headers of a request say. */
#include <page/headers.h>

#include <arpa/inet.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define DIGITS "0123456789"
#define NAME_BYTES "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz" DIGITS "-_."

static const unsigned char mapped[12] = {[10] = 0xff, [11] = 0xff};

static struct in6_addr map(const struct in_addr *in4)
{
	struct in6_addr in6 = {0};

	memcpy(in6.s6_addr, mapped, sizeof mapped);
	memcpy(in6.s6_addr + sizeof mapped, in4, sizeof *in4);
	return in6;
}

/* n bytes as an address; v6: without its brackets. */
static bool address_of(const char *text, size_t n, bool v6, struct in6_addr *out)
{
	char copy[INET6_ADDRSTRLEN];
	struct in_addr in4;

	if (n >= sizeof copy)
		return false;
	memcpy(copy, text, n);
	copy[n] = 0;
	if (v6)
		return inet_pton(AF_INET6, copy, out) == 1;
	if (inet_pton(AF_INET, copy, &in4) != 1)
		return false;
	*out = map(&in4);
	return true;
}

bool lull_host_parse(const char *text, struct lull_host *host)
{
	const bool v6 = text[0] == '[';
	const char *rest;
	size_t n;

	*host = (struct lull_host){.port = 80};
	n = v6 ? strcspn(text + 1, "]") : strspn(text, NAME_BYTES);
	if (!n || (v6 && text[1 + n] != ']'))
		return false;
	rest = v6 ? text + n + 2 : text + n;
	if (!address_of(v6 ? text + 1 : text, n, v6, &host->address)) {
		n -= !v6 && text[n - 1] == '.';
		if (v6 || !n || n >= sizeof host->name)
			return false;
		memcpy(host->name, text, n);
	}
	if (!*rest)
		return true;
	/* "host:" is the usual port (RFC 3986, 3.2.3). */
	n = strspn(rest + 1, DIGITS);
	if (*rest != ':' || n > 5 || rest[1 + n])
		return false;
	if (n) {
		const unsigned long port = strtoul(rest + 1, NULL, 10);

		if (!port || port > UINT16_MAX)
			return false;
		host->port = (uint16_t)port;
	}
	return true;
}

bool lull_host_is_loopback(const struct lull_host *host)
{
	if (host->name[0])
		return !strcasecmp(host->name, "localhost");
	return IN6_IS_ADDR_LOOPBACK(&host->address) || (IN6_IS_ADDR_V4MAPPED(&host->address) && host->address.s6_addr[12] == 127);
}

bool lull_host_is_address(const struct lull_host *host, const struct sockaddr *address)
{
	struct in6_addr own;

	if (host->name[0])
		return false;
	if (address->sa_family == AF_INET)
		own = map(&((const struct sockaddr_in *)(const void *)address)->sin_addr);
	else if (address->sa_family == AF_INET6)
		own = ((const struct sockaddr_in6 *)(const void *)address)->sin6_addr;
	else
		return false;
	return !memcmp(&own, &host->address, sizeof own);
}

bool lull_host_is_known(const struct lull_host *host, const char *known)
{
	const bool brackets = known[0] == '[';
	const size_t length = strlen(known), n = length - (length && known[length - 1] == '.');
	struct in6_addr address;

	if (!n)
		return false;
	if (address_of(known, length, false, &address) || address_of(known, length, true, &address) ||
		(brackets && address_of(known + 1, length - 2, true, &address)))
		return !host->name[0] && !memcmp(&address, &host->address, sizeof address);
	return host->name[0] && !strncasecmp(host->name, known, n) && (!host->name[n] || !strcasecmp(host->name + n, ".local"));
}

const char *lull_cookie_next(const char **at, const char *name, size_t *size)
{
	const size_t length = strlen(name);

	while (**at) {
		const char *pair = *at + strspn(*at, " \t;"), *end = pair + strcspn(pair, ";");

		*at = end;
		if (strncmp(pair, name, length) != 0 || pair[length] != '=')
			continue;
		pair += length + 1;
		while (end > pair && (end[-1] == ' ' || end[-1] == '\t'))
			end--;
		*size = (size_t)(end - pair);
		return pair;
	}
	return NULL;
}
