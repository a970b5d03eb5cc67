/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_values: what the values of a profile's keys may be; each says what is wrong. */
#include <lull/text.h>
#include <source/clamp.h>
#include <source/decimal.h>
#include <source/duration.h>
#include <source/hex.h>
#include <source/profile_keys.h>
#include <source/vehicle.h>

#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define IDS_MAX 4096

static bool bad_value(struct profile_reader *r, const char *key, const char *value, const char *wanted)
{
	lull_ini_error(&r->ini, "'%s' value \"%s\" is not %s%s", key, value, wanted,
		strchr(value, '#') ? "; a comment behind a value begins with ' ;'" : "");
	return false;
}

static void set_text(struct profile_reader *r, const char *key, const char *value, char *out, size_t size)
{
	if (strlen(value) >= size) {
		lull_ini_error(
			&r->ini, "'%s' has %zu bytes, at most %zu are kept", key, strlen(value), size - 1);
		return;
	}
	memset(out, 0, size);
	memcpy(out, value, strlen(value));
}

static void set_name(struct profile_reader *r, const char *key, const char *value, char *out, size_t size)
{
	const char *fault = r->kept ? NULL : lull_name_fault(value, strlen(value));
	if (fault)
		lull_ini_error(&r->ini, "the name behind '%s' %s", key, fault);
	else
		set_text(r, key, value, out, size);
}

static void set_vehicle(struct profile_reader *r, const char *key, const char *value, char *out, size_t size)
{
	const char *why = r->kept ? NULL : lull_vehicle_refusal(value);

	if (why)
		lull_ini_error(&r->ini, "%s = '%s' %s", key, value, why);
	else
		set_text(r, key, value, out, size);
}

static void set_number(struct profile_reader *r, const char *key, const char *value, double most, double *out)
{
	double v;
	if (lull_decimal(value, strlen(value), &v) < 0 || !(v > 0) || v > most)
		(void)bad_value(r, key, value, "a number above 0 (with a decimal point)");
	else
		*out = v;
}

static bool set_duration(struct profile_reader *r, const char *key, const char *value, const struct lull_duration_rule *rule, int64_t *out)
{
	char why[LULL_DURATION_WHY];
	const int rc = lull_duration_parse(value, strlen(value), rule, out);
	if (rc)
		lull_ini_error(&r->ini, "'%s' value \"%s\" %s", key, value, lull_duration_why(rc, rule, why, sizeof why));
	return !rc;
}

static void set_ms(struct profile_reader *r, const char *key, const char *value, int64_t *out)
{
	static const struct lull_duration_rule rule = {LULL_IN_MS, 0, 60 * LULL_MIN};
	(void)set_duration(r, key, value, &rule, out);
}

/* As a double in units of unit_ns. */
static void set_length(struct profile_reader *r, const struct profile_key *key, const char *value, enum lull_duration_unit bare,
	int64_t unit_ns, double *out)
{
	const struct lull_duration_rule rule = {bare, LULL_MS, (int64_t)(key->most * (double)unit_ns)};
	int64_t ns;
	if (set_duration(r, key->name, value, &rule, &ns))
		*out = (double)ns / (double)unit_ns;
}

static void set_flag(struct profile_reader *r, const char *key, const char *value, bool *out)
{
	if (!strcasecmp(value, "yes") || !strcasecmp(value, "true") || !strcmp(value, "1"))
		*out = true;
	else if (!strcasecmp(value, "no") || !strcasecmp(value, "false") || !strcmp(value, "0"))
		*out = false;
	else
		(void)bad_value(r, key, value, "yes or no");
}

/* 0..255, decimal or 0x. */
static bool byte_value(const char *value, int *out)
{
	int v = 0;
	const bool hex = value[0] == '0' && (value[1] | 0x20) == 'x';
	const char *p = value + (hex ? 2 : 0);
	if (!*p)
		return false;
	for (; *p; p++) {
		const int d = lull_hex(*p);
		if (d < 0 || (!hex && d > 9))
			return false;
		v = v * (hex ? 16 : 10) + d;
		if (v > 255)
			return false;
	}
	*out = v;
	return true;
}

static void set_address(struct profile_reader *r, const char *key, const char *value, int *out)
{
	if (!byte_value(value, out))
		(void)bad_value(r, key, value, "a number from 0 to 255 (0x21 or 33)");
}

static void set_opcode(struct profile_reader *r, const char *key, const char *value, uint8_t *out)
{
	int v;
	if (!byte_value(value, &v) || !v)
		(void)bad_value(r, key, value, "an opcode bit from 0x01 to 0xFF");
	else
		*out = (uint8_t)v;
}

static void set_position(struct profile_reader *r, const char *key, const char *value, int *out)
{
	if (!strcmp(value, "0") || !strcmp(value, "1"))
		*out = *value - '0';
	else if (!strcasecmp(value, "off"))
		*out = -1;
	else
		(void)bad_value(r, key, value, "0, 1 or off");
}

/* "500000", "500k", "83.333k", "2M". */
static void set_bitrate(struct profile_reader *r, const char *key, const char *value, uint32_t *out)
{
	size_t n = strlen(value);
	double v, factor = 1;
	if (n && (value[n - 1] == 'k' || value[n - 1] == 'K'))
		factor = 1e3;
	else if (n && value[n - 1] == 'M')
		factor = 1e6;
	if (factor > 1)
		n--;
	if (lull_decimal(value, n, &v) < 0 || v * factor < 1000 || v * factor > 20e6)
		(void)bad_value(r, key, value, "a bit rate (500000, 500k, 2M)");
	else
		*out = (uint32_t)(v * factor + 0.5);
}

/* "0x3A1", "0x500/0x7C0", "0x18FEF100/0x1FFFFF00". */
static bool match_value(
	struct profile_reader *r, const char *key, const char *token, struct lull_id_match *out)
{
	char id_text[24];
	const char *slash = strchr(token, '/');
	const size_t n = slash ? (size_t)(slash - token) : strlen(token);
	uint32_t id, mask = 0;
	if (n >= sizeof id_text)
		return bad_value(r, key, token, "an ID (0x3A1, 0x18FEF100)");
	memcpy(id_text, token, n);
	id_text[n] = 0;
	if (lull_id_parse(id_text, &id) < 0)
		return bad_value(r, key, token, "an ID (0x3A1, 0x18FEF100) or ID/mask (0x500/0x7C0)");
	const uint32_t all = id & LULL_ID_EXTENDED ? LULL_ID_BITS : 0x7ff;
	if (!slash) {
		mask = all;
	} else {
		const char *p = slash + 1;
		if (p[0] == '0' && (p[1] | 0x20) == 'x')
			p += 2;
		const size_t digits = strspn(p, "0123456789abcdefABCDEF");
		if (!digits || digits > 8 || p[digits])
			return bad_value(r, key, token, "ID/mask with a hexadecimal mask (0x500/0x7C0)");
		for (; *p; p++)
			mask = mask << 4 | (uint32_t)lull_hex(*p);
	}
	if (mask & ~all)
		return bad_value(r, key, token,
			id & LULL_ID_EXTENDED ? "ID/mask: the mask has more than 29 bits"
					      : "ID/mask: the mask of a standard ID has 11 bits");
	if (id & all & ~mask) {
		lull_ini_error(&r->ini,
			"'%s' value \"%s\" fits no ID: its ID has bits that the mask leaves out; write "
			"0x%X/0x%X",
			key, token, (unsigned)(id & mask), (unsigned)mask);
		return false;
	}
	out->id = id;
	out->mask = mask | LULL_ID_EXTENDED;
	return true;
}

static void add_ids(
	struct profile_reader *r, const char *key, const char *value, struct lull_profile_node *node)
{
	char copy[256], *save = NULL;
	bool any = false;
	if (strlen(value) >= sizeof copy)
		return; /* cannot be: the line is shorter */
	strcpy(copy, value);
	for (char *token = strtok_r(copy, ", \t", &save); token; token = strtok_r(NULL, ", \t", &save)) {
		struct lull_id_match match;
		any = true;
		if (!match_value(r, key, token, &match))
			return;
		if (r->ids++ == IDS_MAX) {
			lull_ini_error(&r->ini, "there are more than %d IDs; use masks", IDS_MAX);
			return;
		}
		if ((node->id_count & (node->id_count - 1)) == 0) {
			const size_t room = node->id_count ? 2 * node->id_count : 1;
			void *grown = realloc(node->ids, room * sizeof *node->ids);
			if (!grown) {
				lull_ini_no_memory(&r->ini);
				return;
			}
			node->ids = grown;
		}
		node->ids[node->id_count++] = match;
	}
	if (!any)
		(void)bad_value(r, key, value, "a list of IDs (0x3A1, 0x500/0x7C0)");
}

static void set_kind(struct profile_reader *r, const char *key, const char *value, enum lull_nm_kind *out)
{
	if (!strcasecmp(value, "autosar"))
		*out = LULL_NM_AUTOSAR;
	else if (!strcasecmp(value, "osek"))
		*out = LULL_NM_OSEK;
	else
		(void)bad_value(r, key, value, "autosar or osek");
}

static void set_source(struct profile_reader *r, const char *key, const char *value, bool *out)
{
	*out = !strcasecmp(value, "maker");
	if (!*out && strcasecmp(value, "workshop") != 0)
		(void)bad_value(r, key, value, "maker or workshop");
}

static void set_battery(struct profile_reader *r, const char *key, const char *value, enum lull_battery_kind *out)
{
	if (lull_battery_kind_parse(value, out) < 0)
		(void)bad_value(r, key, value, "flooded, efb, agm or gel");
}

/* "80", "80 %". */
static void set_percent(struct profile_reader *r, const char *key, const char *value, double *out)
{
	size_t n = strlen(value);
	double v;
	if (n && value[n - 1] == '%')
		n--;
	while (n && value[n - 1] == ' ')
		n--;
	if (lull_decimal(value, n, &v) < 0 || !(v > 0) || v > 100)
		(void)bad_value(r, key, value, "a percentage, above 0 and up to 100");
	else
		*out = v / 100;
}

static void set_scale(struct profile_reader *r, const char *key, const char *value, double *out)
{
	if (lull_clamp_scale_parse(value, out) < 0)
		(void)bad_value(r, key, value, "a clamp's scale (10mV/A, 100mV/A)");
}

void lull_profile_value(struct profile_reader *r, const struct profile_key *key, void *at, const char *value)
{
	switch (key->value) {
	case VALUE_NAME: set_name(r, key->name, value, at, key->size); break;
	case VALUE_VEHICLE: set_vehicle(r, key->name, value, at, key->size); break;
	case VALUE_TEXT: set_text(r, key->name, value, at, key->size); break;
	case VALUE_NUMBER: set_number(r, key->name, value, key->most, at); break;
	case VALUE_MS: set_ms(r, key->name, value, at); break;
	case VALUE_S: set_length(r, key, value, LULL_IN_S, LULL_SEC, at); break;
	case VALUE_MIN: set_length(r, key, value, LULL_IN_MIN, LULL_MIN, at); break;
	case VALUE_FLAG: set_flag(r, key->name, value, at); break;
	case VALUE_ADDRESS: set_address(r, key->name, value, at); break;
	case VALUE_OPCODE: set_opcode(r, key->name, value, at); break;
	case VALUE_POSITION: set_position(r, key->name, value, at); break;
	case VALUE_BITRATE: set_bitrate(r, key->name, value, at); break;
	case VALUE_MATCH: (void)match_value(r, key->name, value, at); break;
	case VALUE_IDS: add_ids(r, key->name, value, at); break;
	case VALUE_KIND: set_kind(r, key->name, value, at); break;
	case VALUE_BATTERY: set_battery(r, key->name, value, at); break;
	case VALUE_PERCENT: set_percent(r, key->name, value, at); break;
	case VALUE_SCALE: set_scale(r, key->name, value, at); break;
	case VALUE_SOURCE: set_source(r, key->name, value, at); break;
	}
}
