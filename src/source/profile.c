/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile (source): the INI file of a car: sections, lines, and what must agree between them. */
#include <source/profile_keys.h>
#include <source/utf8.h>

#include <errno.h>
#include <ini.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TEXT_MAX (1u << 20)

static void begin_section(void *user, const char *word, size_t word_length, const char *name, size_t name_length)
{
	struct profile_reader *r = user;

	memset(r->seen, 0, sizeof r->seen);
	lull_profile_section(r, word, word_length, name, name_length);
}

static void take_key(void *user, const char *key, const char *value)
{
	lull_profile_key(user, key, value);
}

/* --- what must agree --- */

static bool same_bus(const char *a, const char *b)
{
	return !*a || !*b || !strcmp(a, b);
}

static void check_bus(struct profile_reader *r, const char *what, const char *name, const char *bus)
{
	const struct lull_profile *p = r->profile;
	char known[160] = "";
	if (!*bus || !p->bus_count)
		return;
	for (size_t i = 0; i < p->bus_count; i++) {
		if (!strcmp(p->bus[i].name, bus))
			return;
		const size_t n = strlen(known);
		snprintf(known + n, sizeof known - n, "%s%s", i ? ", " : "", p->bus[i].name);
	}
	lull_ini_error(&r->ini, "%s '%s' is on bus '%s', for which there is no section [bus %s]; there are: %s",
		what, name, bus, bus, known);
}

static void check_pair(
	struct profile_reader *r, const struct lull_profile_node *a, const struct lull_profile_node *b)
{
	char id[11];
	if (!same_bus(a->bus, b->bus))
		return;
	for (size_t i = 0; i < a->id_count && r->ini.rc == 0; i++) {
		for (size_t k = 0; k < b->id_count; k++) {
			const struct lull_id_match *x = &a->ids[i], *y = &b->ids[k];
			if ((x->id ^ y->id) & x->mask & y->mask)
				continue;
			lull_ini_error(&r->ini,
				"ID %s belongs to node '%s' already; one ID has one sender on a bus",
				lull_id_text(x->id | y->id, id), a->name);
			return;
		}
	}
	if (a->nm_address >= 0 && a->nm_address == b->nm_address)
		lull_ini_error(&r->ini, "nm_address 0x%02X belongs to node '%s' already",
			(unsigned)a->nm_address, a->name);
	if (a->source_address >= 0 && a->source_address == b->source_address)
		lull_ini_error(&r->ini, "source_address 0x%02X belongs to node '%s' already",
			(unsigned)a->source_address, a->name);
}

static void check_whole(struct profile_reader *r)
{
	struct lull_profile *p = r->profile;
	for (size_t i = 0; i < p->node_count && r->ini.rc == 0; i++) {
		r->ini.line = r->node_line[i];
		check_bus(r, "node", p->nodes[i].name, p->nodes[i].bus);
		for (size_t k = 0; k < i && r->ini.rc == 0; k++)
			check_pair(r, &p->nodes[k], &p->nodes[i]);
	}
	for (size_t i = 0; i < p->nm_count && r->ini.rc == 0; i++) {
		struct lull_nm_layout *nm = &p->nm[i];
		r->ini.line = r->nm_line[i];
		check_bus(r, "network management", r->nm_name[i], nm->bus);
		lull_profile_finish_nm(r, i);
	}
}

/* --- reading --- */

static int parse(const char *name, const char *text, size_t size, bool kept, struct lull_profile *profile, char *err, size_t err_size)
{
	struct profile_reader *r = calloc(1, sizeof *r);
	lull_profile_init(profile);
	if (!r) {
		snprintf(err, err_size, "%s: out of memory", name);
		return -ENOMEM;
	}
	r->profile = profile;
	r->kept = kept;
	r->ini = (struct lull_ini){.name = name, .err = err, .err_size = err_size, .user = r, .section = begin_section, .key = take_key,
		.when_long = "'ids' may be given several times"};
	int rc = lull_ini_read(&r->ini, text, size, TEXT_MAX, "profile");

	if (!rc) {
		check_whole(r);
		rc = r->ini.rc;
	}
	if (rc < 0)
		lull_profile_clear(profile);
	free(r->node_line);
	free(r);
	return rc;
}

int lull_profile_parse_text(const char *name, const char *text, size_t size, struct lull_profile *profile,
	char *err, size_t err_size)
{
	return parse(name, text, size, false, profile, err, err_size);
}

int lull_profile_parse_kept(const char *name, const char *text, size_t size, struct lull_profile *profile,
	char *err, size_t err_size)
{
	return parse(name, text, size, true, profile, err, err_size);
}

int lull_profile_read(const char *path, struct lull_profile *profile, char *err, size_t err_size)
{
	size_t size;
	errno = 0;
	lull_profile_init(profile);
	char *text = lull_text_read(path, TEXT_MAX, &size, err, err_size);
	if (!text)
		return errno ? -errno : -EINVAL;
	const int rc = lull_profile_parse_text(path, text, size, profile, err, err_size);
	free(text);
	return rc;
}

char *lull_text_read(const char *path, size_t max, size_t *size, char *err, size_t err_size)
{
	FILE *f = fopen(path, "rbe");
	char *text = NULL;
	size_t n = 0, room = 0;
	int failed = 0;
	if (!f) {
		failed = errno;
		snprintf(err, err_size, "%s: cannot be opened: %s", path, strerror(failed));
		errno = failed;
		return NULL;
	}
	for (;;) {
		if (n + 1 >= room) {
			room = room ? 2 * room : 4096;
			char *grown = realloc(text, room);
			if (!grown) {
				failed = ENOMEM;
				break;
			}
			text = grown;
		}
		const size_t got = fread(text + n, 1, room - n - 1, f);
		n += got;
		if (n > max) {
			failed = EFBIG;
			break;
		}
		if (!got) {
			failed = ferror(f) ? errno : 0;
			break;
		}
	}
	(void)fclose(f);
	if (failed) {
		free(text);
		if (failed == EFBIG)
			snprintf(err, err_size,
				"%s: has more than %zu bytes: this is not the kind of file meant", path, max);
		else
			snprintf(err, err_size, "%s: cannot be read: %s", path, strerror(failed));
		errno = failed;
		return NULL;
	}
	text[n] = 0;
	*size = n;
	return text;
}
