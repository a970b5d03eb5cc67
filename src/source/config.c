/* SPDX-License-Identifier: GPL-3.0-or-later */
/* config: sections, keys and values of lull.conf. */
#include <source/config.h>
#include <source/clamp.h>
#include <source/profile.h>
#include <source/profile_keys.h>
#include <source/utf8.h>

#include <ctype.h>
#include <errno.h>
#include <ini.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define LINE_MAX_BYTES 190 /* inih cuts lines near 198 bytes without a word */
#define TEXT_MAX (1u << 18)
#define HIGHEST_BITRATE 20000000.0

enum section { NONE, RECORDER, BUS, CLAMP, CONTROL, PROFILE, IGNITION };
static const char *const section_names[] = {"", "recorder", "bus", "clamp", "control", "profile", "ignition"};

enum value { TEXT, SECONDS, MINUTES, HOURS, MEGABYTES, BITRATE, SHARE, FLAG, MUST, SCALE, NUMBER, COUNT, WORD };

struct key {
	enum section section;
	const char *name;
	enum value value;
	size_t offset, size;
	double least, most;
	const char *words; /* WORD: "edges|all", in the order of the enumeration */
};

#define AT(type, member) offsetof(struct type, member), sizeof(((struct type *)0)->member)
static const struct key keys[] = {
	{RECORDER, "folder", TEXT, AT(lull_config, folder), 0, 0, NULL},
	{RECORDER, "user", TEXT, AT(lull_config, user), 0, 0, NULL},
	{RECORDER, "batch", SECONDS, AT(lull_config, batch_ns), 1, 600, NULL},
	{RECORDER, "rejoin", MINUTES, AT(lull_config, rejoin_ns), 0, 10080, NULL},
	{RECORDER, "longest", HOURS, AT(lull_config, longest_ns), 1, 1000, NULL},
	{RECORDER, "keep-frames", WORD, AT(lull_config, keep), 0, 0, "edges|all"},
	{RECORDER, "keep-most", MEGABYTES, AT(lull_config, keep_most), 1, 1e6, NULL},
	{RECORDER, "keep-free", MEGABYTES, AT(lull_config, keep_free), 1, 1e6, NULL},
	{BUS, "interface", TEXT, AT(lull_config_bus, interface), 0, 0, NULL},
	{BUS, "adapter", TEXT, AT(lull_config_bus, adapter), 0, 0, NULL},
	{BUS, "bitrate", BITRATE, AT(lull_config_bus, bitrate), 1000, 1e6, NULL},
	{BUS, "data-bitrate", BITRATE, AT(lull_config_bus, bitrate_data), 1000, HIGHEST_BITRATE, NULL},
	{BUS, "sample-point", SHARE, AT(lull_config_bus, sample_point), 50, 95, NULL},
	{BUS, "listen-only", MUST, 0, 0, 0, 0, NULL},
	{BUS, "accept-acknowledging", FLAG, AT(lull_config_bus, accept_acknowledging), 0, 0, NULL},
	{BUS, "physical", WORD, AT(lull_config_bus, physical), 0, 0, "high-speed|fault-tolerant|single-wire"},
	{CLAMP, "source", WORD, AT(lull_config, clamp.source), 0, 0, "none|iio|scpi|lines"},
	{CLAMP, "device", TEXT, AT(lull_config, clamp.device), 0, 0, NULL},
	{CLAMP, "channel", TEXT, AT(lull_config, clamp.channel), 0, 0, NULL},
	{CLAMP, "query", TEXT, AT(lull_config, clamp.query), 0, 0, NULL},
	{CLAMP, "baud", COUNT, AT(lull_config, clamp.baud), 300, 4e6, NULL},
	{CLAMP, "scale", SCALE, AT(lull_config, clamp.mV_per_A), 0, 0, NULL},
	{CLAMP, "range_A", NUMBER, AT(lull_config, clamp.range_A), 0.001, 2000, NULL},
	{CLAMP, "samples-per-s", NUMBER, AT(lull_config, clamp.samples_per_s), 0.1, 100, NULL},
	{CLAMP, "amperes", FLAG, AT(lull_config, clamp.amperes), 0, 0, NULL},
	{CLAMP, "divider", NUMBER, AT(lull_config, clamp.divider), 0.001, 1000, NULL},
	{CLAMP, "gain", NUMBER, AT(lull_config, clamp.gain), 1e-6, 1e6, NULL},
	{CLAMP, "inverted", FLAG, AT(lull_config, clamp.inverted), 0, 0, NULL},
	{CONTROL, "socket", TEXT, AT(lull_config, socket), 0, 0, NULL},
	{CONTROL, "group", TEXT, AT(lull_config, group), 0, 0, NULL},
	{PROFILE, "file", TEXT, AT(lull_config, profile), 0, 0, NULL},
	{IGNITION, "chip", TEXT, AT(lull_config, ignition_chip), 0, 0, NULL},
	{IGNITION, "line", COUNT, AT(lull_config, ignition_line), 0, 1023, NULL},
	{IGNITION, "active-low", FLAG, AT(lull_config, ignition_low), 0, 0, NULL},
};
#define KEYS (sizeof keys / sizeof keys[0])

struct reader {
	const char *name, *text;
	size_t size, at;
	unsigned line;
	struct lull_config *config;
	enum section section;
	bool seen[KEYS], had[IGNITION + 1];
	int rc;
	char *err;
	size_t err_size;
};

const char *lull_physical_name(enum lull_physical physical)
{
	static const char *const names[] = {"high-speed", "fault-tolerant", "single-wire"};

	return names[physical];
}

static void wrong(struct reader *r, const char *format, ...) LULL_PRINTF(2, 3);
static void wrong(struct reader *r, const char *format, ...)
{
	va_list list;

	if (r->rc)
		return;
	r->rc = -EINVAL;
	const int n = snprintf(r->err, r->err_size, "%s:%u: ", r->name, r->line);

	if (n < 0 || (size_t)n >= r->err_size)
		return;
	va_start(list, format);
	(void)vsnprintf(r->err + n, r->err_size - (size_t)n, format, list);
	va_end(list);
}

/* --- values --- */

static bool number(const char *text, double *out, const char **rest)
{
	char *end;

	if (!isdigit((unsigned char)*text))
		return false; /* no sign, no hexadecimal, no "inf" */
	*out = strtod(text, &end);
	while (*end == ' ' || *end == '\t')
		end++;
	*rest = end;
	return isfinite(*out) && !(text[0] == '0' && (text[1] == 'x' || text[1] == 'X'));
}

/* A number with one of the units, each of which has a factor; without a unit the first factor holds. */
static void quantity(struct reader *r, const struct key *key, const char *value, const char *unit, double *out)
{
	const char *rest;
	double x;

	if (!number(value, &x, &rest) || (*rest && strcasecmp(rest, unit) != 0))
		wrong(r, "%s = '%s' is no number%s%s", key->name, value, *unit ? " of " : "", unit);
	else if (x < key->least || x > key->most)
		wrong(r, "%s = '%s' is not between %g and %g%s%s", key->name, value, key->least, key->most,
			*unit ? " " : "", unit);
	else
		*out = x;
}

static void bitrate(struct reader *r, const struct key *key, const char *value, uint32_t *out)
{
	const char *rest;
	double x;
	bool fits = number(value, &x, &rest);

	if (fits && *rest) {
		const double factor = *rest == 'k' || *rest == 'K' ? 1e3 : *rest == 'M' ? 1e6 : 0;

		x *= factor;
		fits = factor > 0 && (!rest[1] || !strcasecmp(rest + 1, "bit/s"));
	}
	if (!fits)
		wrong(r, "%s = '%s' is no bit rate: 500000, 500k and 83.333k are some", key->name, value);
	else if (x < key->least || x > key->most)
		wrong(r, "%s = '%s' is not between %g and %g bit/s", key->name, value, key->least, key->most);
	else
		*out = (uint32_t)lround(x);
}

static bool flag(struct reader *r, const struct key *key, const char *value)
{
	static const char *const yes[] = {"yes", "on", "true", "1"}, *const no[] = {"no", "off", "false", "0"};

	for (size_t i = 0; i < 4; i++) {
		if (!strcasecmp(value, yes[i]))
			return true;
		if (!strcasecmp(value, no[i]))
			return false;
	}
	wrong(r, "%s = '%s' is neither yes nor no", key->name, value);
	return false;
}

static void word(struct reader *r, const struct key *key, const char *value, void *at)
{
	const char *p = key->words;

	for (int i = 0;; i++) {
		const size_t n = strcspn(p, "|");

		if (strlen(value) == n && !strncasecmp(p, value, n)) {
			memcpy(at, &i, sizeof i);
			return;
		}
		if (!p[n])
			break;
		p += n + 1;
	}
	wrong(r, "%s = '%s' is none of %s", key->name, value, key->words);
}

static void take(struct reader *r, const struct key *key, char *at, const char *value)
{
	double x = 0;

	switch (key->value) {
	case TEXT:
		if (strlen(value) >= key->size)
			wrong(r, "%s: has %zu bytes, at most %zu fit", key->name, strlen(value), key->size - 1);
		else
			lull_utf8_clean(at, key->size, value, strlen(value));
		return;
	case SECONDS:
		quantity(r, key, value, "s", &x);
		*(int64_t *)(void *)at = (int64_t)(x * 1e9);
		return;
	case MINUTES:
		quantity(r, key, value, "min", &x);
		*(int64_t *)(void *)at = (int64_t)(x * 60e9);
		return;
	case HOURS:
		quantity(r, key, value, "h", &x);
		*(int64_t *)(void *)at = (int64_t)(x * 3600e9);
		return;
	case MEGABYTES:
		quantity(r, key, value, "MB", &x);
		*(uint64_t *)(void *)at = (uint64_t)(x * 1e6);
		return;
	case BITRATE: bitrate(r, key, value, (uint32_t *)(void *)at); return;
	case SHARE:
		quantity(r, key, value, "%", &x);
		*(double *)(void *)at = x / 100;
		return;
	case FLAG: *(bool *)at = flag(r, key, value); return;
	case MUST:
		if (!flag(r, key, value))
			wrong(r,
				"listen-only is required: a recorder that acknowledges frames keeps a lone node awake; "
				"for an adapter without it there is accept-acknowledging = yes");
		return;
	case SCALE:
		if (lull_clamp_scale_parse(value, (double *)(void *)at))
			wrong(r, "scale = '%s' is no scale: 100mV/A and 10 mV/A are some", value);
		return;
	case NUMBER: quantity(r, key, value, "", (double *)(void *)at); return;
	case COUNT:
		quantity(r, key, value, "", &x);
		if (x != floor(x))
			wrong(r, "%s = '%s' is no whole number", key->name, value);
		*(unsigned *)(void *)at = (unsigned)x;
		return;
	case WORD: word(r, key, value, at); return;
	}
}

/* --- keys and sections --- */

/* Hyphen and underscore are the same, and so are a letter's two cases. */
static bool same_key(const char *a, const char *b)
{
	for (; *a && *b; a++, b++) {
		const char x = *a == '_' ? '-' : *a, y = *b == '_' ? '-' : *b;

		if (tolower((unsigned char)x) != tolower((unsigned char)y))
			return false;
	}
	return *a == *b;
}

static void unknown_key(struct reader *r, const char *name)
{
	char known[320] = "";
	const char *near = NULL;
	unsigned best = 3;

	for (size_t i = 0; i < KEYS; i++) {
		if (keys[i].section != r->section)
			continue;
		lull_profile_list(known, sizeof known, keys[i].name);
		const unsigned d = lull_profile_distance(name, keys[i].name);

		if (d < best) {
			best = d;
			near = keys[i].name;
		}
	}
	wrong(r, "'%s' is no key of [%s]%s%s%s; known are: %s", name, section_names[r->section],
		near ? ", did you mean '" : "", near ? near : "", near ? "'?" : "", known);
}

static int take_key(void *user, const char *section, const char *name, const char *value)
{
	struct reader *r = user;

	(void)section; /* cut by inih after 49 bytes: r->section has it whole */
	if (r->rc)
		return 1;
	if (r->section == NONE) {
		wrong(r, "'%s' stands before the first section", name);
		return 1;
	}
	for (size_t i = 0; i < KEYS; i++) {
		if (keys[i].section != r->section || !same_key(keys[i].name, name))
			continue;
		if (r->seen[i])
			wrong(r, "'%s' is given twice in this section", keys[i].name);
		r->seen[i] = true;
		if (!*value)
			wrong(r, "'%s' has no value", keys[i].name);
		if (!r->rc)
			take(r, &keys[i],
				(r->section == BUS ? (char *)&r->config->bus[r->config->bus_count - 1] :
						     (char *)r->config) +
					keys[i].offset,
				value);
		return 1;
	}
	unknown_key(r, name);
	return 1;
}

static void begin_bus(struct reader *r, const char *name, size_t n)
{
	struct lull_config *c = r->config;

	if (!n) {
		wrong(r, "a bus has a name: [bus body]");
	} else if (n >= LULL_BUS_NAME) {
		wrong(r, "a bus name has at most %d bytes", LULL_BUS_NAME - 1);
	} else if (c->bus_count == LULL_BUS_MAX) {
		wrong(r, "there are more than %d buses", LULL_BUS_MAX);
	} else {
		struct lull_config_bus *bus = &c->bus[c->bus_count];

		*bus = (struct lull_config_bus){.line = r->line};
		lull_utf8_clean(bus->name, sizeof bus->name, name, n);
		for (size_t i = 0; i < c->bus_count; i++)
			if (!strcmp(c->bus[i].name, bus->name))
				wrong(r, "[bus %s] is there twice", bus->name);
		c->bus_count++;
	}
}

static void begin_section(struct reader *r, const char *title, size_t n)
{
	size_t length = 0;

	while (n && isblank((unsigned char)*title))
		title++, n--;
	while (n && isblank((unsigned char)title[n - 1]))
		n--;
	while (length < n && !isblank((unsigned char)title[length]))
		length++;
	memset(r->seen, 0, sizeof r->seen);
	r->section = NONE;
	for (int i = RECORDER; i <= IGNITION; i++)
		if (strlen(section_names[i]) == length && !strncasecmp(section_names[i], title, length))
			r->section = (enum section)i;
	if (r->section == NONE) {
		wrong(r, "there is no section [%.*s]; known are: recorder, bus NAME, clamp, control, profile, ignition",
			(int)(n > 40 ? 40 : n), title);
		return;
	}
	const char *name = title + length;
	size_t rest = n - length;

	while (rest && isblank((unsigned char)*name))
		name++, rest--;
	if (r->section == BUS) {
		begin_bus(r, name, rest);
		return;
	}
	if (rest)
		wrong(r, "section [%s] takes no name", section_names[r->section]);
	if (r->had[r->section])
		wrong(r, "section [%s] is there twice", section_names[r->section]);
	r->had[r->section] = true;
}

/* inih asks for lines here; it gets each without leading blanks, since it takes an indented line for more of the value
 * above, which would hide a key. */
static char *next_line(char *out, int size, void *stream)
{
	struct reader *r = stream;

	if (r->at >= r->size || r->rc || size < 2)
		return NULL;
	const char *p = r->text + r->at, *end = r->text + r->size;
	const char *nl = memchr(p, '\n', (size_t)(end - p)), *stop = nl ? nl : end;

	r->at = (size_t)(stop - r->text) + 1;
	r->line++;
	if (r->line == 1 && stop - p >= 3 && !memcmp(p, "\xef\xbb\xbf", 3))
		p += 3;
	while (p < stop && isblank((unsigned char)*p))
		p++;
	if (stop - p >= LINE_MAX_BYTES)
		wrong(r, "the line has %zd bytes, at most %d can be read", stop - p, LINE_MAX_BYTES - 1);
	for (const char *c = p; c < stop && !r->rc;) {
		const size_t n = *c == '\t' || *c == '\r' ? 1 : lull_utf8_length(c, (size_t)(stop - c));

		if (!n || (*c != '\t' && *c != '\r' && !lull_utf8_fit(c, n)))
			wrong(r, "has a control character, or is no UTF-8");
		c += n;
	}
	if (!r->rc && p < stop && *p == '[') {
		const char *close = memchr(p, ']', (size_t)(stop - p));

		if (close)
			begin_section(r, p + 1, (size_t)(close - p) - 1);
		else
			wrong(r, "the section's closing ']' is missing");
	} else if (!r->rc && p < stop && *p != ';' && *p != '#' && *p != '\r' &&
		!memchr(p, '=', (size_t)(stop - p))) {
		wrong(r, "is neither [section] nor key = value; a comment begins with ; or #");
	}
	if (r->rc)
		return NULL;
	size_t n = (size_t)(stop - p);

	if (n > (size_t)size - 2)
		n = (size_t)size - 2;
	memcpy(out, p, n);
	out[n] = '\n';
	out[n + 1] = '\0';
	return out;
}

/* --- what must agree --- */

static void check_buses(struct reader *r)
{
	const struct lull_config *c = r->config;

	if (!c->bus_count)
		wrong(r, "no bus is told: add [bus NAME] with interface = can0");
	for (size_t i = 0; i < c->bus_count && !r->rc; i++) {
		const struct lull_config_bus *bus = &c->bus[i];

		r->line = bus->line;
		if (!bus->interface[0] && !bus->adapter[0])
			wrong(r, "[bus %s] has neither interface nor adapter", bus->name);
		for (size_t k = 0; k < i; k++) {
			if (bus->interface[0] && !strcmp(bus->interface, c->bus[k].interface))
				wrong(r, "interface %s is that of [bus %s] already", bus->interface, c->bus[k].name);
			if (bus->adapter[0] && !strcmp(bus->adapter, c->bus[k].adapter))
				wrong(r, "adapter %s is that of [bus %s] already", bus->adapter, c->bus[k].name);
		}
	}
	if (c->clamp.source != LULL_CLAMP_NONE && !c->clamp.device[0])
		wrong(r, "[clamp] has a source and no device");
}

void lull_config_defaults(struct lull_config *c)
{
	*c = (struct lull_config){
		.folder = "/var/lib/lull",
		.user = "lull",
		.batch_ns = 30 * LULL_SEC,
		.rejoin_ns = 12 * 60 * LULL_MIN,
		.longest_ns = 96 * 60 * LULL_MIN,
		.keep_most = 1000000000,
		.keep_free = 64000000,
		.clamp = {.query = "MEAS:VOLT:DC?", .channel = "voltage0", .baud = 9600, .mV_per_A = (double)NAN,
			.range_A = (double)NAN, .samples_per_s = 5, .gain = (double)NAN, .divider = 1},
		.socket = "/run/lull/control",
		.group = "lull",
	};
}

int lull_config_parse_text(
	const char *name, const char *text, size_t size, struct lull_config *config, char *err, size_t err_size)
{
	struct reader r = {
		.name = name, .text = text, .size = size, .config = config, .err = err, .err_size = err_size};

	lull_config_defaults(config);
	if (size > TEXT_MAX)
		wrong(&r, "the file has more than %u bytes: this is no configuration", TEXT_MAX);
	const int bad = r.rc ? 0 : ini_parse_stream(next_line, &r, take_key, &r);

	if (bad > 0 && !r.rc) {
		r.line = (unsigned)bad;
		wrong(&r, "is neither [section] nor key = value; a comment begins with ; or #");
	} else if (bad < 0 && !r.rc) {
		(void)snprintf(err, err_size, "%s: out of memory", name);
		return -ENOMEM;
	}
	if (!r.rc)
		check_buses(&r);
	return r.rc;
}

int lull_config_read(const char *path, struct lull_config *config, char *err, size_t err_size)
{
	size_t size;
	char *text;

	errno = 0;
	lull_config_defaults(config);
	text = lull_text_read(path, TEXT_MAX, &size, err, err_size);
	if (!text)
		return errno ? -errno : -EINVAL;
	const int rc = lull_config_parse_text(path, text, size, config, err, err_size);

	free(text);
	return rc;
}
