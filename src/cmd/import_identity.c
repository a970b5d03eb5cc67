/* SPDX-License-Identifier: GPL-3.0-or-later */
/* import_identity: see the header. */
#include <cmd/import_identity.h>
#include <errno.h>
#include <stdlib.h>
#include <store/uuid.h>
#include <string.h>
#include <xxhash.h>

/* What one input adds: its kind, the bus name in as many bytes for all, the digest of its content. */
struct part {
	uint8_t kind;
	char bus[LULL_BUS_NAME];
	uint8_t digest[LULL_DIGEST];
};
_Static_assert(
	sizeof(struct part) == 1 + LULL_BUS_NAME + LULL_DIGEST, "hashed as it lies in memory: no padding");

static int by_bytes(const void *a, const void *b)
{
	return memcmp(a, b, sizeof(struct part));
}

int lull_import_uuid(const struct lull_inputs *inputs, struct lull_clamp_input *clamp, char out[LULL_UUID])
{
	static const char domain[] = "lull recording, by its inputs, 1"; /* another rule has another number */
	struct part part[LULL_INPUTS_MAX + 1];
	XXH128_canonical_t canonical;
	XXH3_state_t *hash = XXH3_createState();
	size_t n = 0;

	if (!hash)
		return -ENOMEM;
	memset(part, 0, sizeof part);
	for (size_t i = 0; i < inputs->n; i++, n++) {
		const struct lull_input *in = &inputs->in[i];

		part[n].kind = 'c';
		if (in->named)
			memcpy(part[n].bus, in->bus, strnlen(in->bus, sizeof part[n].bus));
		lull_capture_digest(in->capture, part[n].digest);
	}
	if (clamp->log) {
		part[n].kind = 'i';
		lull_clamp_digest(clamp->log, part[n++].digest);
	}
	qsort(part, n, sizeof part[0], by_bytes);
	(void)XXH3_128bits_reset(hash);
	(void)XXH3_128bits_update(hash, domain, sizeof domain);
	(void)XXH3_128bits_update(hash, part, n * sizeof part[0]);
	XXH128_canonicalFromHash(&canonical, XXH3_128bits_digest(hash));
	(void)XXH3_freeState(hash);
	lull_uuid_of_hash(canonical.digest, out);
	return 0;
}
