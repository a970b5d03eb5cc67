/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_command: any packet that comes in at the recorder's control socket. */
#include <daemon/command.h>
#include <source/utf8.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	struct lull_command command;
	char err[128] = "";

	if (lull_command_parse((const char *)data, size, &command, err, sizeof err)) {
		if (!err[0] || memchr(err, '\0', sizeof err) == NULL)
			abort();
		return 0;
	}
	/* What is taken is fit for the recording. */
	if (command.verb == LULL_VERB_MARK &&
		(!command.text[0] || !lull_utf8_fit(command.text, strlen(command.text)) || command.ago < 0 || command.ago > LULL_AGO_MOST))
		abort();
	return 0;
}
