/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_text: what a name may be, and the escape of foreign text. */
#include <lull/text.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* The characters of a text; it ends at the first that is none. */
static uint32_t only(const char *text)
{
	uint32_t c;
	const size_t n = lull_text_char(text, strlen(text), &c);

	assert_int_equal(n, strlen(text));
	return c;
}

/* Categories by the Unicode Character Database 14.0 (UnicodeData.txt), looked up with Python's unicodedata. */
static void letters(void **state)
{
	static const char *const yes[] = {"a", "Z", "0", "9", "\xc3\x84" /* A umlaut */, "\xc3\xbc", "\xc3\x9f", "\xc2\xb5" /* micro */,
		"\xd0\x96" /* ZHE */, "\xd8\xa8" /* BEH */, "\xd9\xa3" /* Arabic 3 */, "\xe0\xa4\x95" /* KA */, "\xe0\xb8\x81" /* KO KAI */,
		"\xe5\x90\x8d" /* CJK */, "\xe3\x81\x82" /* hiragana A */, "\xea\xb0\x80" /* hangul GA */,
		"\xf0\x9d\x94\xb8" /* U+1D538 */, "\xf0\xa0\x80\x80" /* U+20000 */, "\xef\xbc\xa1" /* fullwidth A */};
	static const char *const no[] = {"=", "+", "-", "@", "\t", "\r", "\n", " ", "'", "\"", "*", "#", "/", "\\", "_", "(", "|", "\x7f",
		"\xc2\xa0" /* no-break space */, "\xc2\xab", "\xc3\x97" /* times */, "\xc3\xb7", "\xcc\x88" /* combining diaeresis */,
		"\xe2\x80\xae" /* U+202E */, "\xe2\x88\x92" /* minus */, "\xef\xbc\x9d" /* fullwidth = */, "\xef\xbc\x8b", "\xef\xbc\x8d",
		"\xef\xbc\xa0" /* fullwidth @ */, "\xe2\x82\xac", "\xf0\x9f\x9a\x97" /* a car */, "\xee\x80\x80" /* private use */};

	(void)state;
	for (size_t i = 0; i < sizeof yes / sizeof yes[0]; i++)
		if (!lull_text_letter(only(yes[i])))
			fail_msg("'%s' is no letter", yes[i]);
	for (size_t i = 0; i < sizeof no / sizeof no[0]; i++)
		if (lull_text_letter(only(no[i])))
			fail_msg("'%s' is a letter", no[i]);
	/* Nothing is both. */
	for (uint32_t c = 0; c <= 0x10ffff; c++)
		assert_false(lull_text_letter(c) && lull_text_acts(c));
}

static void what_acts(void **state)
{
	/* Bidi_Control of PropList.txt, and others of category Cf. */
	static const uint32_t yes[] = {0, 0x1f, 0x7f, 0x9f, 0x61c, 0x200e, 0x200f, 0x202a, 0x202b, 0x202c, 0x202d, 0x202e, 0x2066, 0x2067,
		0x2068, 0x2069, 0xad, 0x200b, 0x200c, 0x200d, 0x2028, 0x2029, 0x2060, 0xfeff, 0xe0001, 0xe0041};
	static const uint32_t no[] = {0x20, 'a', 0xa0, 0xe4, 0x2010, 0x2027, 0x202f, 0x20ac, 0xfe0f, 0x1f697, 0x10ffff};

	(void)state;
	for (size_t i = 0; i < sizeof yes / sizeof yes[0]; i++)
		if (!lull_text_acts(yes[i]))
			fail_msg("U+%04X does not act", (unsigned)yes[i]);
	for (size_t i = 0; i < sizeof no / sizeof no[0]; i++)
		if (lull_text_acts(no[i]))
			fail_msg("U+%04X acts", (unsigned)no[i]);
}

static void names(void **state)
{
	static const struct {
		const char *name, *fault;
	} cases[] = {
		{"body", NULL}, {"can0", NULL}, {"0", NULL}, {"\xc3\x9c" "berwachung", NULL}, {"\xe5\x90\x8d\xe5\x89\x8d", NULL},
		{"F12 (radio; rear)", NULL}, {"a=b", NULL}, {"C:\\x", NULL}, {"3D-view", NULL},
		{"", "is empty"}, {"=cmd|' /C calc'!A0", "does not begin with a letter or a digit"},
		{"+1", "does not begin with a letter or a digit"}, {"-1", "does not begin with a letter or a digit"},
		{"@SUM(1)", "does not begin with a letter or a digit"}, {" a", "does not begin with a letter or a digit"},
		{"(a)", "does not begin with a letter or a digit"}, {"\xef\xbc\x9d" "1", "does not begin with a letter or a digit"},
		{"\t=1", "holds a control character or a mark of writing direction"},
		{"a\nb", "holds a control character or a mark of writing direction"},
		{"a\xe2\x80\xae" "b", "holds a control character or a mark of writing direction"},
		{"a\xe2\x81\xa6" "b", "holds a control character or a mark of writing direction"},
		{"a\xc2\x85", "holds a control character or a mark of writing direction"},
		{"a\xff", "is no UTF-8 text"}, {"\xc3", "is no UTF-8 text"}, {"a\xed\xa0\x80", "is no UTF-8 text"},
		{"\xc0\xbd" "1", "is no UTF-8 text"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		const char *fault = lull_name_fault(cases[i].name, strlen(cases[i].name));

		if (fault != cases[i].fault && (!fault || !cases[i].fault || strcmp(fault, cases[i].fault) != 0))
			fail_msg("'%s': %s", cases[i].name, fault ? fault : "taken");
	}
	assert_non_null(lull_name_fault("a\0b", 3));
}

static size_t escape(const char *text, char *out)
{
	const char *begin = text;
	size_t n = 0;
	char piece[LULL_ESCAPED];

	while (*text) {
		const bool first = text == begin;

		(void)lull_text_escape(&text, first, piece);
		memcpy(out + n, piece, strlen(piece));
		n += strlen(piece);
	}
	out[n] = 0;
	return n;
}

static void escapes(void **state)
{
	static const struct {
		const char *text, *escaped;
	} cases[] = {
		{"", ""}, {"body", "body"}, {"\xc3\x84lter", "\xc3\x84lter"}, {"a=1", "a=1"}, {"5-3", "5-3"}, {"C:\\users", "C:\\users"},
		{"=cmd|' /C calc'!A0", "\\u{3D}cmd|' /C calc'!A0"}, {"+1", "\\u{2B}1"}, {"-1", "\\u{2D}1"}, {"@SUM(1)", "\\u{40}SUM(1)"},
		{"'x", "\\u{27}x"}, {"*", "\\u{2A}"}, {" x", "\\u{20}x"}, {"\\", "\\u{5C}"}, {"a\xe2\x80\xae" "b", "a\\u{202E}b"},
		{"\xe2\x80\xae", "\\u{202E}"}, {"a\tb", "a\\u{9}b"}, {"\\u{3D}1", "\\u{5C}u{3D}1"}, {"a\\u{3D}", "a\\u{5C}u{3D}"},
		{"a\\\\u{3D}", "a\\\\u{5C}u{3D}"}, {"a\\" "\xe2\x80\xae", "a\\\\u{202E}"}, {"\xf3\xa0\x80\x81", "\\u{E0001}"},
	};
	char out[200];

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		const size_t n = escape(cases[i].text, out);

		if (strcmp(out, cases[i].escaped) != 0)
			fail_msg("'%s' becomes '%s'", cases[i].text, out);
		out[lull_text_unescape(out, n)] = 0;
		assert_string_equal(out, cases[i].text);
	}
	/* What is no escape stays. */
	static const char *const plain[] = {"\\u{}", "\\u{0}", "\\u{110000}", "\\u{D800}", "\\u{1234567}", "\\u{3D", "\\u3D", "\\x3D", "u{3D}",
		"\\u{3G}", "\\u{ 3D}", "\\"};

	for (size_t i = 0; i < sizeof plain / sizeof plain[0]; i++) {
		(void)strcpy(out, plain[i]);
		out[lull_text_unescape(out, strlen(out))] = 0;
		assert_string_equal(out, plain[i]);
	}
}

/* Any text comes back, and its escaped form is harmless. */
static void any_text_comes_back(void **state)
{
	static const char *const pieces[] = {"\\", "u", "{", "}", "\\u{", "3D", "=", "+", "-", "@", " ", "\t", "\n", "\"", ",", ";", "a", "7",
		"\xc3\xa4", "\xe2\x80\xae", "\xe2\x81\xa9", "\xf3\xa0\x80\x81", "\xef\xbb\xbf"};
	uint32_t seed = 1;

	(void)state;
	for (unsigned round = 0; round < 20000; round++) {
		char text[64] = "", out[64 * LULL_ESCAPED];

		for (unsigned i = 0, n = round % 12; i < n; i++) {
			seed = seed * 1664525u + 1013904223u; /* Numerical Recipes, from memory: any sequence will do */
			(void)strcat(text, pieces[(seed >> 16) % (sizeof pieces / sizeof pieces[0])]);
		}
		const size_t n = escape(text, out);
		uint32_t c;

		for (size_t i = 0; i < n;) {
			const size_t length = lull_text_char(out + i, n - i, &c);

			assert_true(length);
			assert_false(lull_text_acts(c));
			i += length;
		}
		if (n) {
			(void)lull_text_char(out, n, &c);
			assert_true(lull_text_letter(c) || c == '\\');
		}
		out[lull_text_unescape(out, n)] = 0;
		assert_string_equal(out, text);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(letters), cmocka_unit_test(what_acts), cmocka_unit_test(names),
		cmocka_unit_test(escapes), cmocka_unit_test(any_text_comes_back)};

	return cmocka_run_group_tests_name("text", tests, NULL, NULL);
}
