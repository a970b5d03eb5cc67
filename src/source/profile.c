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

/* inih cuts lines near 198 bytes without a word. */
#define LINE_MAX_BYTES 190
#define TEXT_MAX (1u << 20)

void lull_profile_error(struct profile_reader *r, const char *format, ...)
{
	if (r->rc < 0)
		return;
	r->rc = -EINVAL;
	const int n = snprintf(r->err, r->err_size, "%s:%u: ", r->name, r->line);
	if (n < 0 || (size_t)n >= r->err_size)
		return;
	va_list list;
	va_start(list, format);
	vsnprintf(r->err + n, r->err_size - (size_t)n, format, list);
	va_end(list);
}

void lull_profile_no_memory(struct profile_reader *r)
{
	if (r->rc < 0)
		return;
	r->rc = -ENOMEM;
	snprintf(r->err, r->err_size, "%s: out of memory", r->name);
}

/* --- lines, before inih sees them --- */

static void check_lines(struct profile_reader *r)
{
	const char *p = r->text, *end = p + r->size;
	for (r->line = 1; p < end && r->rc == 0; r->line++) {
		const char *nl = memchr(p, '\n', (size_t)(end - p));
		size_t n = (size_t)((nl ? nl : end) - p);
		if (n && p[n - 1] == '\r')
			n--;
		if (n >= LINE_MAX_BYTES)
			lull_profile_error(r,
				"the line has %zu bytes, at most %d can be read; 'ids' may be given several "
				"times",
				n, LINE_MAX_BYTES - 1);
		for (size_t i = 0; i < n && r->rc == 0;) {
			const size_t length = p[i] == '\t' ? 1 : lull_utf8_length(p + i, n - i);
			if (p[i] != '\t' && (!length || !lull_utf8_fit(p + i, length)))
				lull_profile_error(r,
					"byte %zu of the line is a control character or no UTF-8; save the "
					"file as UTF-8 text",
					i + 1);
			i += length;
		}
		p = nl ? nl + 1 : end;
	}
}

static bool blank(char c)
{
	return c == ' ' || c == '\t';
}

/* The section that "[kind name]" begins; r->section is set. */
static void begin_section(struct profile_reader *r, const char *title, size_t n)
{
	while (n && blank(*title)) {
		title++;
		n--;
	}
	while (n && blank(title[n - 1]))
		n--;
	size_t word = 0;
	while (word < n && !blank(title[word]))
		word++;
	const char *name = title + word;
	size_t name_length = n - word;
	while (name_length && blank(*name)) {
		name++;
		name_length--;
	}
	memset(r->seen, 0, sizeof r->seen);
	lull_profile_section(r, title, word, name, name_length);
}

/* inih asks for lines here: it gets each without leading blanks, since it takes an indented line for more of
 * the value above, which would hide a key. */
static char *next_line(char *out, int size, void *stream)
{
	struct profile_reader *r = stream;
	if (r->at >= r->size || r->rc < 0 || size < 2)
		return NULL;
	const char *p = r->text + r->at, *end = r->text + r->size;
	const char *nl = memchr(p, '\n', (size_t)(end - p));
	const char *stop = nl ? nl : end;
	r->at = (size_t)(stop - r->text) + 1;
	r->line++;
	if (r->line == 1 && stop - p >= 3 && !memcmp(p, "\xef\xbb\xbf", 3))
		p += 3;
	while (p < stop && blank(*p))
		p++;
	if (p < stop && *p == '[') {
		const char *close = memchr(p, ']', (size_t)(stop - p));
		if (close)
			begin_section(r, p + 1, (size_t)(close - p) - 1);
		else
			lull_profile_error(r, "the section's closing ']' is missing");
	} else if (p < stop && *p != ';' && *p != '#' && *p != '\r' && !memchr(p, '=', (size_t)(stop - p)) &&
		!memchr(p, ':', (size_t)(stop - p))) {
		lull_profile_error(r, "is neither [section] nor key = value; a comment begins with ; or #");
	}
	if (r->rc < 0)
		return NULL;
	size_t n = (size_t)(stop - p);
	if (n > (size_t)size - 2)
		n = (size_t)size - 2; /* cannot be, see check_lines() */
	memcpy(out, p, n);
	out[n] = '\n';
	out[n + 1] = 0;
	return out;
}

static int take_key(void *user, const char *section, const char *key, const char *value)
{
	struct profile_reader *r = user;
	(void)section; /* cut by inih after 49 bytes: r->section has it whole */
	if (r->rc == 0)
		lull_profile_key(r, key, value);
	return 1;
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
	lull_profile_error(r, "%s '%s' is on bus '%s', for which there is no section [bus %s]; there are: %s",
		what, name, bus, bus, known);
}

static void check_pair(
	struct profile_reader *r, const struct lull_profile_node *a, const struct lull_profile_node *b)
{
	char id[11];
	if (!same_bus(a->bus, b->bus))
		return;
	for (size_t i = 0; i < a->id_count && r->rc == 0; i++) {
		for (size_t k = 0; k < b->id_count; k++) {
			const struct lull_id_match *x = &a->ids[i], *y = &b->ids[k];
			if ((x->id ^ y->id) & x->mask & y->mask)
				continue;
			lull_profile_error(r,
				"ID %s belongs to node '%s' already; one ID has one sender on a bus",
				lull_id_text(x->id | y->id, id), a->name);
			return;
		}
	}
	if (a->nm_address >= 0 && a->nm_address == b->nm_address)
		lull_profile_error(r, "nm_address 0x%02X belongs to node '%s' already",
			(unsigned)a->nm_address, a->name);
	if (a->source_address >= 0 && a->source_address == b->source_address)
		lull_profile_error(r, "source_address 0x%02X belongs to node '%s' already",
			(unsigned)a->source_address, a->name);
}

static void check_whole(struct profile_reader *r)
{
	struct lull_profile *p = r->profile;
	for (size_t i = 0; i < p->node_count && r->rc == 0; i++) {
		r->line = r->node_line[i];
		check_bus(r, "node", p->nodes[i].name, p->nodes[i].bus);
		for (size_t k = 0; k < i && r->rc == 0; k++)
			check_pair(r, &p->nodes[k], &p->nodes[i]);
	}
	for (size_t i = 0; i < p->nm_count && r->rc == 0; i++) {
		struct lull_nm_layout *nm = &p->nm[i];
		r->line = r->nm_line[i];
		check_bus(r, "network management", r->nm_name[i], nm->bus);
		lull_profile_finish_nm(r, i);
	}
}

/* --- reading --- */

int lull_profile_parse_text(const char *name, const char *text, size_t size, struct lull_profile *profile,
	char *err, size_t err_size)
{
	struct profile_reader *r = calloc(1, sizeof *r);
	lull_profile_init(profile);
	if (!r) {
		snprintf(err, err_size, "%s: out of memory", name);
		return -ENOMEM;
	}
	r->name = name;
	r->text = text;
	r->size = size;
	r->profile = profile;
	r->err = err;
	r->err_size = err_size;
	if (size > TEXT_MAX) {
		r->line = 1;
		lull_profile_error(r, "the file has more than %u bytes: this is no profile", TEXT_MAX);
	}
	if (r->rc == 0)
		check_lines(r);
	r->line = 0;
	if (r->rc == 0) {
		const int bad = ini_parse_stream(next_line, r, take_key, r);
		if (bad > 0 && r->rc == 0) {
			r->line = (unsigned)bad;
			lull_profile_error(
				r, "is neither [section] nor key = value; a comment begins with ; or #");
		} else if (bad < 0) {
			lull_profile_no_memory(r);
		}
	}
	if (r->rc == 0)
		check_whole(r);
	const int rc = r->rc;
	if (rc < 0)
		lull_profile_clear(profile);
	free(r->node_line);
	free(r);
	return rc;
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
