/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The HTML report: balanced, harmless, loads nothing, has what the verdict has; the work order; no spike lost. */
#include <lull/order.h>
#include <math.h>
#include <report/report.h>
#include <report/trace.h>
#include <setjmp.h>
#include <source/order.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "made_verdict.h"

typedef void maker(struct lull_night *, struct lull_verdict *);

static char *printed(maker *make, const struct lull_report_style *style)
{
	struct lull_night night;
	struct lull_verdict v;
	char *text = NULL;
	size_t size;
	FILE *out = open_memstream(&text, &size);

	assert_non_null(out);
	make(&night, &v);
	assert_int_equal(lull_report_html(out, &night, &v, style), 0);
	made_free(&night, &v);
	assert_int_equal(fclose(out), 0);
	return text;
}

static size_t count(const char *text, const char *what)
{
	size_t n = 0;

	for (text = strstr(text, what); text; text = strstr(text + 1, what))
		n++;
	return n;
}

/* Elements that have an end: each is closed, innermost first. */
static void balanced(void **state)
{
	static maker *const makers[] = {made_verdict, made_hostile, made_empty};
	static const char *const single[] = {"meta", "input"};

	(void)state;
	for (size_t m = 0; m < 3; m++) {
		char *text = printed(makers[m], NULL);
		char open[64][16];
		size_t depth = 0;
		const char *p = strstr(text, "<body>");
		const char *script = strstr(text, "<script>");

		assert_non_null(p);
		assert_non_null(script);
		for (; p < script; p++) {
			char name[16] = "";
			bool alone = false;

			if (*p != '<')
				continue;
			(void)sscanf(p + 1 + (p[1] == '/'), "%15[a-zA-Z0-9!]", name);
			assert_true(name[0]);
			const char *end = strchr(p, '>');
			assert_non_null(end);
			for (size_t i = 0; i < sizeof single / sizeof single[0]; i++)
				alone |= !strcmp(name, single[i]);
			/* "x=y/>" would make the stroke part of the value */
			if (end[-1] == '/')
				assert_true(end[-2] == ' ' || end[-2] == '"');
			if (p[1] == '/') {
				assert_true(depth > 0);
				if (strcmp(open[depth - 1], name) != 0)
					fail_msg("</%s> ends <%s>", name, open[depth - 1]);
				depth--;
			} else if (!alone && end[-1] != '/') {
				assert_true(depth < 64);
				strcpy(open[depth++], name);
			}
			p = end;
		}
		assert_int_equal(depth, 1);
		free(text);
	}
}

static void loads_nothing(void **state)
{
	char *text = printed(made_verdict, NULL);

	(void)state;
	assert_null(strstr(text, "http"));
	assert_null(strstr(text, " src="));
	assert_null(strstr(text, "@import"));
	assert_int_equal(count(text, "url("), count(text, "url(#"));
	free(text);
}

/* Names from a file may hold anything: neither an element nor a control character comes of it. */
static void harmless(void **state)
{
	struct lull_order order = {.field[LULL_ORDER_COMPLAINT] = "</dd><script>alert('x')</script>\"&"};
	const struct lull_report_style style = {.order = &order, .name = "<b>&.lull"};
	char *text = printed(made_hostile, &style);

	(void)state;
	assert_int_equal(count(text, "<script>"), 1);
	assert_non_null(strstr(text, "&lt;/dd&gt;&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;&quot;&amp;"));
	assert_non_null(strstr(text, "<h1>&lt;b&gt;&amp;.lull</h1>"));
	for (const char *p = text; *p; p++)
		assert_true((unsigned char)*p >= 0x20 || *p == '\n' || *p == '\t');
	free(text);
}

static void has_what_the_verdict_has(void **state)
{
	struct lull_night night;
	struct lull_verdict v;
	char *text = printed(made_verdict, NULL), what[128];

	(void)state;
	made_verdict(&night, &v);
	assert_int_equal(count(text, "<article class=\"finding"), v.findings.n);
	for (size_t i = 0; i < v.findings.n; i++) {
		(void)snprintf(what, sizeof what, "data-code=%s data-v=\"%.15g\"", lull_code_name(v.findings.at[i].code), v.findings.at[i].confidence);
		assert_non_null(strstr(text, what));
	}
	(void)snprintf(what, sizeof what, "Awake periods (%zu)", v.spells.n);
	assert_non_null(strstr(text, what));
	(void)snprintf(what, sizeof what, "IDs (%zu)", v.ids.n);
	assert_non_null(strstr(text, what));
	(void)snprintf(what, sizeof what, "Marks (%zu)", night.marks.n);
	assert_non_null(strstr(text, what));
	made_free(&night, &v);
	free(text);
}

static void one_spike_in_a_million(void **state)
{
	enum { CHUNK = 1000, CHUNKS = 1000 };
	struct lull_night night = {.end = 10000 * LULL_SEC};
	struct lull_verdict v = {.current.correction = {.gain = -1, .offset_mA = 2, .start_s = 0, .rate = 1}};
	struct lull_chunk *c = calloc(CHUNKS, sizeof *c);
	int32_t *uA = malloc(CHUNK * CHUNKS * sizeof *uA);
	struct lull_trace t;

	(void)state;
	assert_non_null(c);
	assert_non_null(uA);
	for (size_t i = 0; i < CHUNK * CHUNKS; i++)
		uA[i] = -18000;
	uA[765432] = -5000000;
	uA[765433] = LULL_NO_SAMPLE;
	for (int64_t i = 0; i < CHUNKS; i++)
		c[i] = (struct lull_chunk){.tau_ns = i * 10 * LULL_SEC, .step_ns = 10 * LULL_MS, .count = CHUNK, .uA = uA + i * CHUNK};
	c[500].count = 0;
	night.chunks.at = c;
	night.chunks.n = CHUNKS;
	assert_int_equal(lull_trace_make(&night, &v, 0, night.end, 100, &t), 0);
	for (unsigned i = 0; i < 100; i++) {
		assert_float_equal(t.least[i], 20, 1e-3);
		assert_float_equal(t.most[i], i == 76 ? 5002 : 20, 1e-3);
		assert_float_equal(t.mean[i], i == 76 ? 20.498f : 20, 1e-2);
	}
	assert_float_equal(t.highest, 5002, 1e-3);
	lull_trace_clear(&t);
	/* beyond the log there is nothing to draw */
	assert_int_equal(lull_trace_make(&night, &v, night.end, 2 * night.end, 10, &t), 0);
	assert_true(isnan(t.most[0]) && isnan(t.highest));
	lull_trace_clear(&t);
	free(uA);
	free(c);
}

static int read_order(const char *text, struct lull_order *order, char *err, size_t size)
{
	char path[] = "/tmp/lull-order-XXXXXX";
	int fd = mkstemp(path), r;

	assert_true(fd >= 0);
	assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
	assert_int_equal(close(fd), 0);
	r = lull_order_read(path, order, err, size);
	assert_int_equal(unlink(path), 0);
	return r;
}

static void work_order(void **state)
{
	static const struct {
		const char *text, *says;
	} bad[] = {
		{"[order]\nplate = A\nplate = B\n", ":3: 'plate' is given twice"},
		{"[order]\ncolour = red\n", ":2: a work order has no 'colour'; known are: number, date"},
		{"[car]\nplate = A\n", ":1: there is no section [car]: a work order has one section, [order]"},
		{"plate = A\n", ":1: 'plate' stands before the section; begin with [order]"},
		{"[order]\nwokshop = A\n", "'wokshop', did you mean 'workshop'?"},
		{"[order]\n\nwhat is this\n", ":3: is neither [section] nor key = value"},
		{"[order]\nnote = \x01\n", ":2: byte 8 of the line is a control character"},
	};
	struct lull_order order;
	char err[512], text[400];

	(void)state;
	assert_int_equal(read_order("; head\n[order]\nVehicle = van, blue\nVIN= 123\ncomplaint = flat\n", &order, err, sizeof err), 0);
	assert_string_equal(order.field[LULL_ORDER_VEHICLE], "van, blue");
	assert_string_equal(order.field[LULL_ORDER_VIN], "123");
	lull_order_anonymous(&order);
	assert_string_equal(order.field[LULL_ORDER_VIN], "");
	assert_string_equal(order.field[LULL_ORDER_COMPLAINT], "flat");
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
		assert_true(read_order(bad[i].text, &order, err, sizeof err) < 0);
		if (!strstr(err, bad[i].says))
			fail_msg("%s", err);
	}
	(void)snprintf(text, sizeof text, "[order]\nnote = %0300d\n", 1);
	assert_true(read_order(text, &order, err, sizeof err) < 0);
	assert_non_null(strstr(err, ":2: the line has 307 bytes, at most 189"));
	assert_true(lull_order_read("/nonexistent/order.ini", &order, err, sizeof err) < 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(balanced),
		cmocka_unit_test(loads_nothing),
		cmocka_unit_test(harmless),
		cmocka_unit_test(has_what_the_verdict_has),
		cmocka_unit_test(one_spike_in_a_million),
		cmocka_unit_test(work_order),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
