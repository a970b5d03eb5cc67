/* SPDX-License-Identifier: GPL-3.0-or-later */
/* uuid: see the header. */
#include "uuid.h"

#include <string.h>
#include <uuid/uuid.h>

void lull_uuid_random(char out[LULL_UUID])
{
	uuid_t uuid;

	uuid_generate_random(uuid);
	uuid_unparse_lower(uuid, out);
}

void lull_uuid_of_hash(const uint8_t hash[16], char out[LULL_UUID])
{
	unsigned char uuid[sizeof(uuid_t)];

	memcpy(uuid, hash, sizeof(uuid));
	uuid[6] = (unsigned char)((uuid[6] & 0x0f) | 0x80); /* version 8, RFC 9562 section 5.8 */
	uuid[8] = (unsigned char)((uuid[8] & 0x3f) | 0x80); /* variant 10, section 4.1 */
	uuid_unparse_lower(uuid, out);
}

bool lull_uuid_valid(const char *text)
{
	char again[LULL_UUID];
	uuid_t uuid;

	if (strlen(text) != LULL_UUID - 1 || uuid_parse(text, uuid) || (uuid[8] & 0xc0) != 0x80)
		return false;
	uuid_unparse_lower(uuid, again);
	return !strcmp(text, again);
}
