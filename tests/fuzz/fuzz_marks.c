/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_marks: any bytes as a file of marks, of coverage, and as one mark or time. */
#include <source/marks.h>

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	char err[256];
	size_t n;
	struct lull_stamped_mark *marks;
	struct lull_stamped_coverage *coverage;
	if (lull_marks_parse_text("marks", (const char *)data, size, &marks, &n, err, sizeof err) == 0) {
		for (size_t i = 0; i < n; i++) {
			if (marks[i].mark.kind >= LULL_MARK_COUNT || !marks[i].mark.text[0])
				abort();
		}
	} else if (marks || n) {
		abort();
	}
	free(marks);
	if (lull_coverage_parse_text("coverage", (const char *)data, size, &coverage, &n, err, sizeof err) ==
		0) {
		for (size_t i = 0; i < n; i++) {
			if (coverage[i].why >= LULL_COVERAGE_COUNT)
				abort();
		}
	} else if (coverage || n) {
		abort();
	}
	free(coverage);

	char *text = malloc(size + 1);
	if (!text)
		return 0;
	if (size)
		memcpy(text, data, size);
	text[size] = 0;
	struct lull_mark mark;
	struct lull_stamp stamp;
	lull_mark_parse(text, &mark);
	if (mark.kind >= LULL_MARK_COUNT)
		abort();
	if (lull_stamp_parse(text, &stamp) == 0 && stamp.absolute && stamp.ns < -LULL_SEC * 86400)
		abort();
	free(text);
	return 0;
}
