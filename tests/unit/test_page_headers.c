/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_page_headers: Host and Cookie headers as strangers write them. */
#include <page/headers.h>

#include <arpa/inet.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static void hosts(void **state)
{
	static const struct {
		const char *text, *name, *address;
		uint16_t port;
	} cases[] = {
		{"car.local:8420", "car.local", NULL, 8420},
		{"CAR", "CAR", NULL, 80},
		{"car.:81", "car", NULL, 81},
		{"car:", "car", NULL, 80},
		{"127.0.0.1:8420", "", "::ffff:127.0.0.1", 8420},
		{"[::1]:8420", "", "::1", 8420},
		{"[fd00::0:1]", "", "fd00::1", 80},
		{"[::ffff:10.0.0.1]:1", "", "::ffff:10.0.0.1", 1},
		/* Other spellings of 127.0.0.1 are names, and no known ones. */
		{"2130706433", "2130706433", NULL, 80},
		{"0x7f.1", "0x7f.1", NULL, 80},
		{"127.1", "127.1", NULL, 80},
		{"car:65535", "car", NULL, 65535},
	};
	struct lull_host h;

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		char address[INET6_ADDRSTRLEN];

		if (!lull_host_parse(cases[i].text, &h) || strcmp(h.name, cases[i].name) != 0 || h.port != cases[i].port)
			fail_msg("'%s' is read as '%s', port %u", cases[i].text, h.name, h.port);
		if (cases[i].address)
			assert_string_equal(inet_ntop(AF_INET6, &h.address, address, sizeof address), cases[i].address);
	}
}

static void no_hosts(void **state)
{
	static const char *const bad[] = {"", ":80", ".", "[", "[]", "[]:80", "[::1", "[::1]x", "[::1]80", "[::g]:80", "[127.0.0.1]:80", "car:0", "car:65536",
		"car:99999", "car:123456", "car:80:80", "car:8 0", "car: 80", "car:-1", "car:+80", "car:0x50", "a b", "car/", "user@car", "car@127.0.0.1:80",
		"car,evil", "car evil", "http://car", "\xc3\xa4", "car\t", " car", "::1", "fe80::1%eth0", "[fe80::1%25eth0]:80", "127.0.0.1\\@evil"};
	char longest[400];
	struct lull_host h;

	(void)state;
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
		if (lull_host_parse(bad[i], &h))
			fail_msg("'%s' is a host: '%s', port %u", bad[i], h.name, h.port);
	memset(longest, 'a', sizeof longest);
	longest[254] = 0;
	assert_false(lull_host_parse(longest, &h));
	longest[253] = 0;
	assert_true(lull_host_parse(longest, &h));
	longest[0] = '[';
	assert_false(lull_host_parse(longest, &h));
}

static bool known(const char *text, const char *name)
{
	struct lull_host h;

	assert_true(lull_host_parse(text, &h));
	return lull_host_is_known(&h, name);
}

static void known_names(void **state)
{
	(void)state;
	assert_true(known("bench:8420", "bench"));
	assert_true(known("BENCH.local", "bench"));
	assert_true(known("bench.LOCAL.", "Bench."));
	assert_true(known("bench.local", "bench.local"));
	assert_true(known("bench.local.local", "bench.local"));
	assert_false(known("bench.local.evil.example", "bench"));
	assert_false(known("bench.evil.example", "bench"));
	assert_false(known("xbench", "bench"));
	assert_false(known("benchx", "bench"));
	assert_false(known("ben", "bench"));
	assert_false(known("evil.example", "bench"));
	assert_false(known("bench", ""));
	assert_false(known("bench", "."));
	/* As addresses they are the same in each spelling. */
	assert_true(known("192.168.4.1:80", "192.168.4.1"));
	assert_true(known("[fd00:0::1]", "fd00::1"));
	assert_true(known("[fd00::1]", "[fd00:0:0::1]"));
	assert_true(known("[::ffff:192.168.4.1]", "192.168.4.1"));
	assert_false(known("192.168.4.2", "192.168.4.1"));
	assert_false(known("192.168.4.1.local", "192.168.4.1"));
	assert_false(known("a", "["));
	assert_false(known("a", "fd00::1"));
}

static void own_addresses(void **state)
{
	struct sockaddr_in in4 = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(0xc0a80401)};
	struct sockaddr_in6 in6 = {.sin6_family = AF_INET6};
	const struct sockaddr other = {.sa_family = AF_UNIX};
	struct lull_host h;

	(void)state;
	assert_true(lull_host_parse("192.168.4.1:8420", &h));
	assert_true(lull_host_is_address(&h, (const struct sockaddr *)&in4));
	assert_false(lull_host_is_address(&h, &other));
	assert_int_equal(inet_pton(AF_INET6, "::ffff:192.168.4.1", &in6.sin6_addr), 1);
	assert_true(lull_host_is_address(&h, (const struct sockaddr *)&in6));
	assert_int_equal(inet_pton(AF_INET6, "fd00::1", &in6.sin6_addr), 1);
	assert_false(lull_host_is_address(&h, (const struct sockaddr *)&in6));
	assert_false(lull_host_is_loopback(&h));
	assert_true(lull_host_parse("[fd00::1]", &h));
	assert_true(lull_host_is_address(&h, (const struct sockaddr *)&in6));
	assert_false(lull_host_is_loopback(&h));
	assert_true(lull_host_parse("evil.example", &h));
	assert_false(lull_host_is_address(&h, (const struct sockaddr *)&in4));
	assert_true(lull_host_parse("127.8.8.8", &h) && lull_host_is_loopback(&h));
	assert_true(lull_host_parse("[::1]", &h) && lull_host_is_loopback(&h));
	assert_true(lull_host_parse("LocalHost:8420", &h) && lull_host_is_loopback(&h));
	assert_true(lull_host_parse("localhost.evil.example", &h) && !lull_host_is_loopback(&h));
	assert_true(lull_host_parse("0.0.0.0", &h) && !lull_host_is_loopback(&h));
}

/* All values of the cookie "lull-8420" in a header, joined by '|'. */
static const char *values(const char *header)
{
	static char text[256];
	const char *value;
	size_t size, used = 0;

	text[0] = 0;
	while ((value = lull_cookie_next(&header, "lull-8420", &size)))
		used += (size_t)snprintf(text + used, sizeof text - used, "%.*s|", (int)size, value);
	return text;
}

static void cookies(void **state)
{
	(void)state;
	assert_string_equal(values("lull-8420=a"), "a|");
	assert_string_equal(values("lull=x; lull-8420=a; lull-84201=y"), "a|");
	assert_string_equal(values("sid=1; lull-8420=old; theme=dark; lull-8420=new"), "old|new|");
	assert_string_equal(values("xlull-8420=a; lull-8420x=b; LULL-8420=c; lull-8420"), "");
	assert_string_equal(values("\"; lull-8420=a"), "a|");
	assert_string_equal(values("broken; =; ==; ;;; a\"b=c;lull-8420=a  ;\t"), "a|");
	assert_string_equal(values("other=lull-8420=a"), "");
	assert_string_equal(values("other={\"a\":1,\"b\":[2]}; lull-8420=a"), "a|");
	assert_string_equal(values("\xff\xfe=\x80; lull-8420=a"), "a|");
	assert_string_equal(values("lull-8420="), "|");
	assert_string_equal(values(""), "");
	assert_string_equal(values(";"), "");
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(hosts), cmocka_unit_test(no_hosts), cmocka_unit_test(known_names),
		cmocka_unit_test(own_addresses), cmocka_unit_test(cookies)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
