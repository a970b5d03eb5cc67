/* SPDX-License-Identifier: GPL-3.0-or-later */
/* csv_loop: a plain scanner of `time,value` lines, for comparison: fgets, two strtod, a sum. */
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
	FILE *file = argc > 1 ? fopen(argv[1], "r") : NULL;
	char line[256];
	unsigned long rows = 0;
	double sum = 0;

	if (!file) {
		(void)fputs("usage: csv_loop FILE\n", stderr);
		return 2;
	}
	while (fgets(line, sizeof line, file)) {
		char *end, *more;
		double time = strtod(line, &end);

		if (end == line || *end != ',')
			continue;
		double value = strtod(end + 1, &more);

		if (more == end + 1)
			continue;
		sum += value + 0 * time;
		rows++;
	}
	printf("%lu rows, sum %.1f\n", rows, sum);
	return fclose(file) ? 1 : 0;
}
