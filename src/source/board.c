/* SPDX-License-Identifier: GPL-3.0-or-later */
/* board: what the logger's own computer says of its clock, its disk and its supply. */
#include <source/board.h>

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>
#include <sys/timex.h>
#include <unistd.h>

/* raspberrypi/linux, drivers/firmware: bit 0 under-voltage now, bit 16 it occurred since the start. */
#define LOW_NOW 0x1ul
#define LOW_SINCE 0x10000ul

bool lull_board_clock_set(void)
{
	struct timex t = {.modes = 0};
	int r = adjtimex(&t);

	return r >= 0 && r != TIME_ERROR && !(t.status & STA_UNSYNC);
}

double lull_board_free_MB(const char *folder)
{
	struct statvfs v;

	if (statvfs(folder, &v))
		return (double)NAN;
	return (double)v.f_bavail * (double)v.f_frsize / 1e6;
}

/* A small file's text; false if it is not there. */
static bool text(const char *path, char *out, size_t size)
{
	int fd = open(path, O_RDONLY | O_CLOEXEC);
	ssize_t n;

	if (fd < 0)
		return false;
	n = read(fd, out, size - 1);
	(void)close(fd);
	if (n <= 0)
		return false;
	out[n] = 0;
	out[strcspn(out, "\n")] = 0;
	return true;
}

/* The hardware monitor of newer kernels: an alarm that stays until it is read. */
static enum lull_ready_voltage monitor(const char *root)
{
	enum lull_ready_voltage found = LULL_VOLTAGE_UNKNOWN;
	char path[512], word[32];
	struct dirent *d;
	DIR *dir;

	(void)snprintf(path, sizeof path, "%s/sys/class/hwmon", root);
	dir = opendir(path);
	while (dir && (d = readdir(dir))) {
		if (strncmp(d->d_name, "hwmon", 5) != 0 || strlen(d->d_name) > 32)
			continue;
		(void)snprintf(path, sizeof path, "%s/sys/class/hwmon/%.32s/name", root, d->d_name);
		if (!text(path, word, sizeof word) || strcmp(word, "rpi_volt") != 0)
			continue;
		(void)snprintf(path, sizeof path, "%s/sys/class/hwmon/%.32s/in0_lcrit_alarm", root, d->d_name);
		if (text(path, word, sizeof word))
			found = strcmp(word, "0") ? LULL_VOLTAGE_WAS_LOW : LULL_VOLTAGE_FINE;
	}
	if (dir)
		(void)closedir(dir);
	return found;
}

enum lull_ready_voltage lull_board_voltage(const char *root)
{
	char path[512], word[32], *end;
	unsigned long flags;

	(void)snprintf(path, sizeof path, "%s/sys/devices/platform/soc/soc:firmware/get_throttled", root);
	if (!text(path, word, sizeof word))
		return monitor(root);
	errno = 0;
	flags = strtoul(word, &end, 16);
	if (end == word || *end || errno)
		return LULL_VOLTAGE_UNKNOWN;
	return flags & LOW_NOW ? LULL_VOLTAGE_LOW : flags & LOW_SINCE ? LULL_VOLTAGE_WAS_LOW : LULL_VOLTAGE_FINE;
}
