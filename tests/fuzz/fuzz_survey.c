/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_survey: any bytes as a survey of fuses, and its rows as currents. */
#include <source/survey.h>

#include <lull/battery.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void weigh(const struct lull_survey_row *row)
{
	struct lull_band mA;
	double least_mA;

	if (lull_fuse_current(row->type, row->rating_A, row->mV, NAN, NAN, &mA, &least_mA) == 0 &&
		!(mA.low <= mA.mid && mA.mid <= mA.high && least_mA > 0))
		abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	char err[256] = "";
	struct lull_survey_row *row;
	size_t n;
	double value;

	if (lull_survey_parse_text("survey", (const char *)data, size, &row, &n, err, sizeof err) == 0) {
		if (!n)
			abort();
		for (size_t i = 0; i < n; i++) {
			if (!row[i].fuse[0] || !row[i].type[0] || !memchr(row[i].fuse, 0, sizeof row[i].fuse) ||
				!memchr(row[i].type, 0, sizeof row[i].type) || !isfinite(row[i].rating_A) ||
				!isfinite(row[i].mV) || isinf(row[i].after_mV) || row[i].milliohm <= 0 || isinf(row[i].milliohm) || !row[i].line)
				abort();
			weigh(&row[i]);
		}
	} else if (row || n || !err[0]) {
		abort();
	}
	free(row);
	if (lull_survey_value((const char *)data, size, "mV", &value) == 0 && !isfinite(value))
		abort();
	return 0;
}
