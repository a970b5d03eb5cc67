/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stderr_rig: see the header. */
#include "stderr_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#include <cmocka.h>

static int file = -1, before = -1;
static char text[65536];

void stderr_take(void)
{
	if (file >= 0)
		return;
	(void)fflush(stderr);
	before = dup(STDERR_FILENO);
	file = memfd_create("stderr", MFD_CLOEXEC);
	assert_true(before >= 0 && file >= 0);
	assert_int_equal(dup2(file, STDERR_FILENO), STDERR_FILENO);
}

void stderr_give_back(void)
{
	if (file < 0)
		return;
	(void)fflush(stderr);
	(void)dup2(before, STDERR_FILENO);
	(void)close(before);
	(void)close(file);
	file = before = -1;
}

static void look(void)
{
	(void)fflush(stderr);
	const ssize_t n = pread(file, text, sizeof text - 1, 0);

	text[n > 0 ? n : 0] = '\0';
}

const char *stderr_text(void)
{
	look();
	assert_int_equal(ftruncate(file, 0), 0);
	assert_int_equal(lseek(file, 0, SEEK_SET), 0);
	return text;
}

bool stderr_has(const char *wanted)
{
	look();
	return strstr(text, wanted) != NULL;
}
