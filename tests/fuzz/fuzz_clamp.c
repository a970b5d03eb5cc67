/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_clamp: any bytes as a clamp's log. The first byte chooses what is told of it; chunks must be in order, on a sound grid,
 * and hold as many readings as were counted. */
#include <source/clamp.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct lull_clamp_options told(uint8_t choice)
{
	struct lull_clamp_options o = lull_clamp_options_default();
	if (choice & 1)
		o.mV_per_A = choice & 2 ? 100 : 10;
	if (choice & 4)
		o.unit = choice & 2 ? LULL_CLAMP_MV : LULL_CLAMP_A;
	o.invert = (choice & 8) != 0;
	if (choice & 16)
		o.range_A = 60;
	if (choice & 32)
		strcpy(o.value, "3");
	if (choice & 64)
		o.order = LULL_DATE_MDY;
	if (choice & 128)
		o.time_unit = LULL_UNIT_MS;
	return o;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	char err[600] = "";
	double v;
	const struct lull_clamp_options o = told(size ? data[0] : 0);
	struct lull_clamp_log *log =
		lull_clamp_open_memory(size ? data + 1 : data, size ? size - 1 : 0, &o, err, sizeof err);
	char *text = malloc(size + 1);
	if (!text)
		return 0;
	memcpy(text, data, size);
	text[size] = 0;
	if (lull_clamp_scale_parse(text, &v) == 0 && !(v >= 0.01 && v <= 10000))
		abort();
	if (lull_clamp_reading(text, LULL_CLAMP_MV, 100, &v) == 0 && !isfinite(v))
		abort();
	free(text);
	if (!log) {
		if (!err[0])
			abort();
		return 0;
	}
	struct lull_chunk c;
	uint64_t readings = 0;
	int64_t last = -1;
	while (lull_clamp_read(log, &c)) {
		if (c.step_ns < 1 || !c.count || c.count > 65536 || c.tau_ns < last)
			abort();
		last = c.tau_ns;
		for (uint32_t i = 0; i < c.count; i++)
			readings += c.uA[i] != LULL_NO_SAMPLE;
	}
	const struct lull_clamp about = lull_clamp_about(log);
	const char *sentence;
	const uint64_t skipped = lull_clamp_skipped(log, &sentence);
	if (readings != about.samples || !readings || (skipped && !sentence) || !isfinite(about.first_s))
		abort();
	(void)lull_clamp_damage(log);
	(void)lull_clamp_note(log);
	lull_clamp_close(log);
	return 0;
}
