/* SPDX-License-Identifier: GPL-3.0-or-later */
/* make_log: an invented clamp log of many samples, 50 a second: a quiet level, noise, and a wake every half hour. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

/* A repeatable noise within +-6 mA. */
static double noise(uint32_t *state)
{
	double sum = -2;

	for (int i = 0; i < 4; i++) {
		*state = *state * 1664525u + 1013904223u;
		sum += (double)(*state >> 8) / 16777216.0;
	}
	return 3 * sum;
}

int main(int argc, char **argv)
{
	unsigned long samples = argc > 1 ? strtoul(argv[1], NULL, 10) : 0;
	FILE *file = argc > 2 ? fopen(argv[2], "w") : NULL;
	uint32_t state = 1;

	if (!samples || !file) {
		(void)fputs("usage: make_log SAMPLES FILE\n", stderr);
		return 2;
	}
	(void)fputs("time_s,value_mV\n", file);
	for (unsigned long i = 0; i < samples; i++) {
		unsigned long second = i / 50;
		double mA = second < 60 ? 9000 : second < 300 ? 700 : second % 1800 < 20 ? 1200 : 22;

		(void)fprintf(file, "%lu.%02lu,%.2f\n", second, i % 50 * 2, (mA + noise(&state)) / 10);
	}
	return fclose(file) ? 1 : 0;
}
