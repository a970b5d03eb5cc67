/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_profile: any bytes as the profile of a car. */
#include <source/profile.h>

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	struct lull_profile p;
	char err[256] = "";
	if (lull_profile_parse_text("car.ini", (const char *)data, size, &p, err, sizeof err) < 0) {
		if (!err[0] || p.nodes || p.node_count)
			abort();
		return 0;
	}
	for (size_t i = 0; i < p.node_count; i++) {
		if (!p.nodes[i].name[0] || !memchr(p.nodes[i].name, 0, sizeof p.nodes[i].name))
			abort();
		for (size_t k = 0; k < p.nodes[i].id_count; k++) {
			const struct lull_id_match *m = &p.nodes[i].ids[k];
			if (m->id & ~m->mask)
				abort();
		}
	}
	for (size_t i = 0; i < p.nm_count; i++) {
		if (p.nm[i].kind == LULL_NM_NONE || p.nm[i].cycle_ns <= 0)
			abort();
	}
	lull_profile_clear(&p);
	return 0;
}
