/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clock_set: sets the wall clock of a guest so many seconds on (or back), and says that it is right now, as a time service
 * does; with 0 it only says so.
 * usage: clock_set SECONDS */
#include <stdio.h>
#include <stdlib.h>
#include <sys/timex.h>
#include <time.h>

int main(int argc, char **argv)
{
	struct timex synchronised = {
		.modes = ADJ_STATUS | ADJ_MAXERROR | ADJ_ESTERROR, .maxerror = 1000, .esterror = 500};
	long by = argc == 2 ? strtol(argv[1], NULL, 10) : 0;
	struct timespec now;

	if (argc != 2) {
		fputs("usage: clock_set SECONDS\n", stderr);
		return 2;
	}
	if (by) {
		if (clock_gettime(CLOCK_REALTIME, &now)) {
			perror("clock_set");
			return 1;
		}
		now.tv_sec += by;
		if (clock_settime(CLOCK_REALTIME, &now)) {
			perror("clock_set");
			return 1;
		}
	}
	if (adjtimex(&synchronised) < 0) {
		perror("clock_set");
		return 1;
	}
	return 0;
}
