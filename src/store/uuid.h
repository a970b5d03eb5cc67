/* SPDX-License-Identifier: GPL-3.0-or-later */
/* uuid: the names of recordings and recorders (RFC 9562), as text in lower case. */
#ifndef LULL_STORE_UUID_H
#define LULL_STORE_UUID_H

#include <lull/night.h>

/* Version 4: random. */
void lull_uuid_random(char out[LULL_UUID]);
/* Version 8: made from 16 bytes of a hash, 122 bits of which stay. The same hash gives the same UUID. */
void lull_uuid_of_hash(const uint8_t hash[16], char out[LULL_UUID]);
/* 36 characters, lower case, variant 10. */
bool lull_uuid_valid(const char *text);

#endif
