/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_keys: sections and keys of a profile, and what their values may be. For the files of src/source only. */
#ifndef LULL_SOURCE_PROFILE_KEYS_H
#define LULL_SOURCE_PROFILE_KEYS_H

#include <lull/frame.h>
#include <source/profile.h>

enum profile_section { SECTION_NONE, SECTION_CAR, SECTION_LIMITS, SECTION_BUS, SECTION_NODE, SECTION_NM };

#define PROFILE_KEYS 24 /* most keys of one section */
#define PROFILE_NM_MAX 8

struct profile_reader {
	const char *name, *text;
	size_t size, at;
	unsigned line; /* of the file, from 1 */
	struct lull_profile *profile;
	enum profile_section section;
	bool seen[PROFILE_KEYS]; /* keys of this section so far */
	bool seen_car, seen_limits;
	size_t node_room;
	unsigned *node_line; /* where each node begins */
	unsigned nm_line[PROFILE_NM_MAX];
	char nm_name[PROFILE_NM_MAX][LULL_NODE_NAME];
	uint32_t nm_given[PROFILE_NM_MAX]; /* bit per key of [nm] */
	size_t ids; /* of all nodes */
	int rc;
	char *err;
	size_t err_size;
};

/* The first error stays: "name:line: ...". */
LULL_PRINTF(2, 3) void lull_profile_error(struct profile_reader *, const char *format, ...);
void lull_profile_no_memory(struct profile_reader *);

/* A section begins: "node" and its name. */
void lull_profile_section(
	struct profile_reader *, const char *kind, size_t kind_length, const char *name, size_t name_length);
void lull_profile_key(struct profile_reader *, const char *key, const char *value);
/* Defaults for what the section did not say, and whether what it said fits its kind. */
void lull_profile_finish_nm(struct profile_reader *, size_t index);

#endif
