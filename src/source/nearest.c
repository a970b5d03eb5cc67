/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nearest: what a mistyped word was probably meant to be. */
#include <source/nearest.h>

#include <ctype.h>
#include <stdbool.h>
#include <string.h>

static bool same(char a, char b)
{
	return tolower((unsigned char)a) == tolower((unsigned char)b);
}

/* Edits (one letter more, less, other, or two swapped; case aside) from a to b: restricted Damerau-Levenshtein distance. */
static unsigned edits(const char *a, const char *b)
{
	enum { MOST = 24 };
	unsigned d[MOST + 1][MOST + 1];
	size_t la = strlen(a), lb = strlen(b), i, j;

	if (la > MOST || lb > MOST)
		return MOST;
	for (i = 0; i <= la; i++)
		d[i][0] = (unsigned)i;
	for (j = 0; j <= lb; j++)
		d[0][j] = (unsigned)j;
	for (i = 1; i <= la; i++) {
		for (j = 1; j <= lb; j++) {
			unsigned best = d[i - 1][j - 1] + !same(a[i - 1], b[j - 1]);

			if (d[i - 1][j] + 1 < best)
				best = d[i - 1][j] + 1;
			if (d[i][j - 1] + 1 < best)
				best = d[i][j - 1] + 1;
			if (i > 1 && j > 1 && same(a[i - 1], b[j - 2]) && same(a[i - 2], b[j - 1]) &&
				d[i - 2][j - 2] + 1 < best)
				best = d[i - 2][j - 2] + 1;
			d[i][j] = best;
		}
	}
	return d[la][lb];
}

const char *lull_nearest(const char *word, const char *const *list, size_t n)
{
	const char *best = NULL;
	unsigned least = ~0u;
	size_t i;

	for (i = 0; i < n; i++) {
		unsigned e = edits(word, list[i]);

		/* Half of the word wrong is another word. */
		if (e < least && e * 2 <= strlen(list[i])) {
			least = e;
			best = list[i];
		}
	}
	return best;
}
