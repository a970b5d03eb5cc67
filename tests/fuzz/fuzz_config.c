/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_config: any file as lull.conf. */
#include <source/config.h>
#include <source/scpi_query.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	static struct lull_config config;
	char err[512] = "";
	char *text = malloc(size + 1);

	if (!text)
		return 0;
	memcpy(text, data, size);
	text[size] = '\0';
	if (lull_config_parse_text("lull.conf", text, size, &config, err, sizeof err)) {
		if (!err[0])
			abort();
	} else if (!config.bus_count || config.bus_count > LULL_BUS_MAX || config.batch_ns <= 0 ||
		!lull_scpi_query_ok(config.clamp.query)) {
		abort();
	}
	free(text);
	return 0;
}
