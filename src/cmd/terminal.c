/* SPDX-License-Identifier: GPL-3.0-or-later */
/* terminal: what the terminal, if there is one, allows. */
#include <cmd/cmd.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

bool lull_colour(int fd)
{
	const char *no = getenv("NO_COLOR"), *term = getenv("TERM");

	return isatty(fd) && !(no && *no) && term && *term && strcmp(term, "dumb") != 0;
}

bool lull_utf8_locale(void)
{
	static const char *const names[] = {"LC_ALL", "LC_CTYPE", "LANG"};
	size_t i;

	for (i = 0; i < sizeof names / sizeof names[0]; i++) {
		const char *value = getenv(names[i]);

		/* The first that is set holds. */
		if (value && *value)
			return strcasestr(value, "UTF-8") || strcasestr(value, "UTF8");
	}
	return false;
}

unsigned lull_columns(int fd)
{
	struct winsize size;

	if (isatty(fd) && !ioctl(fd, TIOCGWINSZ, &size) && size.ws_col > 0 && size.ws_col < 80)
		return size.ws_col;
	return 80;
}
