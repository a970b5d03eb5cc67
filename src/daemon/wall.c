/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wall: the clocks of this computer at one moment. */
#include <daemon/wall.h>

#include <stdio.h>
#include <string.h>
#include <sys/timex.h>
#include <time.h>

#define YEAR_2024 (INT64_C(1704067200) * LULL_SEC) /* a clock that says less was never set */
#define BATTERY_ERROR (60 * LULL_SEC) /* what a quartz with a battery may be off after a year or so */

static int64_t read_clock(clockid_t clock)
{
	struct timespec ts = {0};

	(void)clock_gettime(clock, &ts);
	return (int64_t)ts.tv_sec * LULL_SEC + ts.tv_nsec;
}

int64_t lull_boottime(void)
{
	return read_clock(CLOCK_BOOTTIME);
}

static bool first_line(const char *path, char *line, int size)
{
	FILE *f = fopen(path, "re");
	bool got = f && fgets(line, size, f);

	if (f)
		(void)fclose(f);
	if (got)
		line[strcspn(line, "\n")] = '\0';
	return got;
}

/* Did the kernel set its clock from one with a battery at boot? */
static bool has_battery_clock(void)
{
	char line[8];

	return first_line("/sys/class/rtc/rtc0/hctosys", line, sizeof line) && line[0] == '1';
}

void lull_moment_date(struct lull_moment *now, bool synchronised, int64_t error, bool battery)
{
	now->dated = now->utc >= YEAR_2024 && (synchronised || battery);
	now->error = 0;
	if (now->dated)
		now->error = synchronised ? error : BATTERY_ERROR;
}

struct lull_moment lull_moment_now(void)
{
	struct lull_moment now = {.boot = read_clock(CLOCK_BOOTTIME), .utc = read_clock(CLOCK_REALTIME)};
	struct timex state = {0};
	const int status = adjtimex(&state);
	const bool synchronised = status != -1 && status != TIME_ERROR && !(state.status & STA_UNSYNC);
	const bool battery = !synchronised && has_battery_clock();

	lull_moment_date(&now, synchronised, (int64_t)state.maxerror * LULL_US, battery);
	return now;
}

void lull_boot_id(char id[static 37])
{
	char line[64];

	id[0] = '\0';
	if (first_line("/proc/sys/kernel/random/boot_id", line, sizeof line) && strlen(line) == 36)
		memcpy(id, line, 37);
}
