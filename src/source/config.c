/* SPDX-License-Identifier: GPL-3.0-or-later */
/* config: sections, keys and values of lull.conf. */
#include <lull/text.h>
#include <source/config.h>
#include <source/clamp.h>
#include <source/duration.h>
#include <source/ini_lines.h>
#include <source/profile.h>
#include <source/scpi_query.h>
#include <source/utf8.h>
#include <source/vehicle.h>

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define TEXT_MAX (1u << 18)
#define HIGHEST_BITRATE 20000000.0

enum section { NONE, RECORDER, BUS, CLAMP, CONTROL, CAR, PROFILE, IGNITION };
static const char *const section_names[] = {
	"", "recorder", "bus", "clamp", "control", "car", "profile", "ignition"};

/* SECONDS, MINUTES, HOURS: a length of time, and the unit of a number alone. */
enum value {
	TEXT,
	VEHICLE,
	SECONDS,
	MINUTES,
	HOURS,
	MEGABYTES,
	BITRATE,
	SHARE,
	FLAG,
	MUST,
	SCALE,
	NUMBER,
	COUNT,
	WORD,
	QUERY
};

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
	{CLAMP, "query", QUERY, AT(lull_config, clamp.query), 0, 0, NULL},
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
	{CONTROL, "viewer", TEXT, AT(lull_config, viewer), 0, 0, NULL},
	{CAR, "vehicle", VEHICLE, AT(lull_config, vehicle), 0, 0, NULL},
	{CAR, "model", VEHICLE, AT(lull_config, model), 0, 0, NULL},
	{PROFILE, "file", TEXT, AT(lull_config, profile), 0, 0, NULL},
	{IGNITION, "chip", TEXT, AT(lull_config, ignition_chip), 0, 0, NULL},
	{IGNITION, "line", COUNT, AT(lull_config, ignition_line), 0, 1023, NULL},
	{IGNITION, "active-low", FLAG, AT(lull_config, ignition_low), 0, 0, NULL},
};
#define KEYS (sizeof keys / sizeof keys[0])

struct reader {
	struct lull_ini ini;
	struct lull_config *config;
	enum section section;
	bool seen[KEYS], had[IGNITION + 1];
	unsigned clamp_line; /* of [clamp], or of its device */
};

const char *lull_physical_name(enum lull_physical physical)
{
	static const char *const names[] = {"high-speed", "fault-tolerant", "single-wire"};

	return names[physical];
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
		lull_ini_error(&r->ini, "%s = '%s' is no number%s%s", key->name, value, *unit ? " of " : "", unit);
	else if (x < key->least || x > key->most)
		lull_ini_error(&r->ini, "%s = '%s' is not between %g and %g%s%s", key->name, value, key->least, key->most,
			*unit ? " " : "", unit);
	else
		*out = x;
}

/* The key's bounds are in the unit of a number alone. */
static void duration(struct reader *r, const struct key *key, const char *value, enum lull_duration_unit bare, int64_t unit, int64_t *out)
{
	const struct lull_duration_rule rule = {bare, (int64_t)(key->least * (double)unit), (int64_t)(key->most * (double)unit)};
	char why[LULL_DURATION_WHY];
	const int rc = lull_duration_parse(value, strlen(value), &rule, out);

	if (rc)
		lull_ini_error(&r->ini, "%s = '%s' %s", key->name, value, lull_duration_why(rc, &rule, why, sizeof why));
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
		lull_ini_error(&r->ini, "%s = '%s' is no bit rate: 500000, 500k and 83.333k are some", key->name, value);
	else if (x < key->least || x > key->most)
		lull_ini_error(&r->ini, "%s = '%s' is not between %g and %g bit/s", key->name, value, key->least, key->most);
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
	lull_ini_error(&r->ini, "%s = '%s' is neither yes nor no", key->name, value);
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
	lull_ini_error(&r->ini, "%s = '%s' is none of %s", key->name, value, key->words);
}

static void text(struct reader *r, const struct key *key, char *at, const char *value)
{
	if (strlen(value) >= key->size)
		lull_ini_error(&r->ini, "%s: has %zu bytes, at most %zu fit", key->name, strlen(value), key->size - 1);
	else
		lull_utf8_clean(at, key->size, value, strlen(value));
}

static void take(struct reader *r, const struct key *key, char *at, const char *value)
{
	double x = 0;

	switch (key->value) {
	case VEHICLE:
		if (lull_vehicle_refusal(value)) {
			lull_ini_error(
				&r->ini, "%s = '%s' %s", key->name, value, lull_vehicle_refusal(value));
			return;
		}
		text(r, key, at, value);
		return;
	case TEXT: text(r, key, at, value); return;
	case QUERY:
		if (lull_scpi_query_ok(value))
			text(r, key, at, value);
		else
			lull_ini_error(&r->ini, "%s = '%s' is not accepted, since a CAN bridge might take it for a frame; %s", key->name,
				value, LULL_SCPI_QUERY_RULE);
		return;
	case SECONDS: duration(r, key, value, LULL_IN_S, LULL_SEC, (int64_t *)(void *)at); return;
	case MINUTES: duration(r, key, value, LULL_IN_MIN, LULL_MIN, (int64_t *)(void *)at); return;
	case HOURS: duration(r, key, value, LULL_IN_H, 60 * LULL_MIN, (int64_t *)(void *)at); return;
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
			lull_ini_error(&r->ini,
				"listen-only is required: a recorder that acknowledges frames keeps a lone node awake; "
				"for an adapter without it there is accept-acknowledging = yes");
		return;
	case SCALE:
		if (lull_clamp_scale_parse(value, (double *)(void *)at))
			lull_ini_error(&r->ini, "scale = '%s' is no scale: 100mV/A and 10 mV/A are some", value);
		return;
	case NUMBER: quantity(r, key, value, "", (double *)(void *)at); return;
	case COUNT:
		quantity(r, key, value, "", &x);
		if (x != floor(x))
			lull_ini_error(&r->ini, "%s = '%s' is no whole number", key->name, value);
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
	const char *names[KEYS];
	char what[120];
	size_t n = 0;

	for (size_t i = 0; i < KEYS; i++)
		if (keys[i].section == r->section)
			names[n++] = keys[i].name;
	(void)snprintf(what, sizeof what, "'%s' is no key of [%s]", name, section_names[r->section]);
	lull_ini_unknown(&r->ini, what, name, names, NULL, n);
}

static void take_key(void *user, const char *name, const char *value)
{
	struct reader *r = user;

	if (r->section == NONE) {
		lull_ini_error(&r->ini, "'%s' stands before the first section", name);
		return;
	}
	for (size_t i = 0; i < KEYS; i++) {
		if (keys[i].section != r->section || !same_key(keys[i].name, name))
			continue;
		if (r->seen[i])
			lull_ini_error(&r->ini, "'%s' is given twice in this section", keys[i].name);
		r->seen[i] = true;
		if (!*value)
			lull_ini_error(&r->ini, "'%s' has no value", keys[i].name);
		if (keys[i].offset == offsetof(struct lull_config, clamp.device) && r->section == CLAMP)
			r->clamp_line = r->ini.line;
		if (!r->ini.rc)
			take(r, &keys[i],
				(r->section == BUS ? (char *)&r->config->bus[r->config->bus_count - 1] :
						     (char *)r->config) +
					keys[i].offset,
				value);
		return;
	}
	unknown_key(r, name);
}

static void begin_bus(struct reader *r, const char *name, size_t n)
{
	struct lull_config *c = r->config;

	const char *fault = lull_name_fault(name, n);

	if (!n) {
		lull_ini_error(&r->ini, "a bus has a name: [bus body]");
	} else if (fault) {
		lull_ini_error(&r->ini, "the bus name %s; such as [bus body] does", fault);
	} else if (n >= LULL_BUS_NAME) {
		lull_ini_error(&r->ini, "a bus name has at most %d bytes", LULL_BUS_NAME - 1);
	} else if (c->bus_count == LULL_BUS_MAX) {
		lull_ini_error(&r->ini, "there are more than %d buses", LULL_BUS_MAX);
	} else {
		struct lull_config_bus *bus = &c->bus[c->bus_count];

		*bus = (struct lull_config_bus){.line = r->ini.line};
		lull_utf8_clean(bus->name, sizeof bus->name, name, n);
		for (size_t i = 0; i < c->bus_count; i++)
			if (!strcmp(c->bus[i].name, bus->name))
				lull_ini_error(&r->ini, "[bus %s] is there twice", bus->name);
		c->bus_count++;
	}
}

static void begin_section(void *user, const char *word, size_t word_length, const char *name, size_t name_length)
{
	static const char *const forms[] = {
		"recorder", "bus NAME", "clamp", "control", "car", "profile", "ignition"};
	struct reader *r = user;

	memset(r->seen, 0, sizeof r->seen);
	r->section = NONE;
	for (int i = RECORDER; i <= IGNITION; i++)
		if (strlen(section_names[i]) == word_length && !strncasecmp(section_names[i], word, word_length))
			r->section = (enum section)i;
	if (r->section == NONE) {
		char given[41], what[80];

		(void)snprintf(given, sizeof given, "%.*s", (int)word_length, word);
		(void)snprintf(what, sizeof what, "there is no section [%s]", given);
		lull_ini_unknown(&r->ini, what, given, section_names + 1, forms, IGNITION);
		return;
	}
	if (r->section == BUS) {
		begin_bus(r, name, name_length);
		return;
	}
	if (name_length)
		lull_ini_error(&r->ini, "section [%s] takes no name", section_names[r->section]);
	if (r->had[r->section])
		lull_ini_error(&r->ini, "section [%s] is there twice", section_names[r->section]);
	r->had[r->section] = true;
	if (r->section == CLAMP)
		r->clamp_line = r->ini.line;
}

/* --- what must agree --- */

static void check_buses(struct reader *r)
{
	const struct lull_config *c = r->config;

	if (!c->bus_count)
		lull_ini_error(&r->ini, "no bus is told: add [bus NAME] with interface = can0");
	for (size_t i = 0; i < c->bus_count && !r->ini.rc; i++) {
		const struct lull_config_bus *bus = &c->bus[i];

		r->ini.line = bus->line;
		if (!bus->interface[0] && !bus->adapter[0])
			lull_ini_error(&r->ini, "[bus %s] has neither interface nor adapter", bus->name);
		for (size_t k = 0; k < i; k++) {
			if (bus->interface[0] && !strcmp(bus->interface, c->bus[k].interface))
				lull_ini_error(&r->ini, "interface %s is that of [bus %s] already", bus->interface, c->bus[k].name);
			if (bus->adapter[0] && !strcmp(bus->adapter, c->bus[k].adapter))
				lull_ini_error(&r->ini, "adapter %s is that of [bus %s] already", bus->adapter, c->bus[k].name);
		}
	}
	if (c->clamp.source == LULL_CLAMP_NONE)
		return;
	r->ini.line = r->clamp_line;
	if (!c->clamp.device[0])
		lull_ini_error(&r->ini, "[clamp] has a source and no device");
	for (size_t i = 0; i < c->bus_count; i++)
		if (!strcmp(c->clamp.device, c->bus[i].adapter) || !strcmp(c->clamp.device, c->bus[i].interface))
			lull_ini_error(&r->ini, "device %s is the CAN adapter of [bus %s]; name the port of the meter",
				c->clamp.device, c->bus[i].name);
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
		.viewer = "lull-view",
	};
}

int lull_config_parse_text(
	const char *name, const char *text, size_t size, struct lull_config *config, char *err, size_t err_size)
{
	struct reader r = {.config = config};

	r.ini = (struct lull_ini){.name = name, .err = err, .err_size = err_size, .user = &r, .section = begin_section, .key = take_key};
	lull_config_defaults(config);
	if (lull_ini_read(&r.ini, text, size, TEXT_MAX, "configuration"))
		return r.ini.rc;
	check_buses(&r);
	return r.ini.rc;
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
