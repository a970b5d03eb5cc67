/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_input: the clamp's log of an import: what was told of it, and its way into the recording. */
#include <cmd/clamp_input.h>
#include <cmd/cmd.h>
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <report/page.h>
#include <stdio.h>
#include <string.h>

/* A recording takes two million; so many pieces mean that the samples keep no rhythm at all. */
#define CHUNKS_MOST 1000000

void lull_clamp_input_init(struct lull_clamp_input *in)
{
	*in = (struct lull_clamp_input){.told = lull_clamp_options_default()};
}

/* --- the command line --- */

static int set_time_unit(struct lull_clamp_options *o, const char *value, const char *who)
{
	if (!strcmp(value, "s"))
		o->time_unit = LULL_UNIT_S;
	else if (!strcmp(value, "ms"))
		o->time_unit = LULL_UNIT_MS;
	else if (!strcmp(value, "us"))
		o->time_unit = LULL_UNIT_US;
	else if (!strcmp(value, "ns"))
		o->time_unit = LULL_UNIT_NS;
	else
		return lull_misuse(who, "'%s' is no unit of time; write s, ms, us or ns", value);
	return 0;
}

static int set_order(struct lull_clamp_options *o, const char *value, const char *who)
{
	if (!strcmp(value, "dmy"))
		o->order = LULL_DATE_DMY;
	else if (!strcmp(value, "mdy"))
		o->order = LULL_DATE_MDY;
	else
		return lull_misuse(who, "'%s' is no order of dates; write dmy (day first) or mdy (month first)", value);
	return 0;
}

static int set_columns(struct lull_clamp_options *o, char *list, const char *who)
{
	const struct {
		const char *key;
		char *value;
	} keys[] = {{"time", o->time}, {"value", o->value}, {"date", o->date}, {"unit", o->unit_column}};
	char *part, *rest = list;
	int r = 0;

	while (!r && (part = strsep(&rest, ","))) {
		char *value = strchr(part, '=');
		size_t i;

		if (!value || !value[1])
			return lull_misuse(who, "'%s' is not KEY=COLUMN, such as value=current", part);
		*value++ = 0;
		if (!strcmp(part, "time-unit")) {
			r = set_time_unit(o, value, who);
			continue;
		}
		if (!strcmp(part, "order")) {
			r = set_order(o, value, who);
			continue;
		}
		for (i = 0; i < sizeof keys / sizeof keys[0] && strcmp(keys[i].key, part) != 0; i++)
			;
		if (i == sizeof keys / sizeof keys[0])
			return lull_misuse(who,
				"'%s' is no column of a clamp's log; they are time, value, date, unit (and order=, time-unit=)",
				part);
		if (strlen(value) >= sizeof o->time)
			return lull_misuse(who, "column name '%s' is too long", value);
		(void)snprintf(keys[i].value, sizeof o->time, "%s", value);
	}
	return r;
}

static int set_range(struct lull_clamp_options *o, const char *value, const char *who)
{
	double mA;

	if (lull_clamp_reading(value, LULL_CLAMP_A, (double)NAN, &mA) || mA < 100 || mA > 2e6)
		return lull_misuse(who, "'%s' is no range of a clamp; write 60 or 60A", value);
	o->range_A = mA / 1000;
	return 0;
}

int lull_clamp_input_option(
	struct lull_clamp_input *in, enum lull_clamp_option option, char *value, const char *who)
{
	switch (option) {
	case LULL_CLAMP_FILE:
		if (in->path)
			return lull_misuse(who, "one clamp log at a time: %s or %s?", in->path, value);
		in->path = value;
		return 0;
	case LULL_CLAMP_SCALE:
		if (lull_clamp_scale_parse(value, &in->told.mV_per_A))
			return lull_misuse(who, "'%s' is no scale of a clamp; write 10mV/A or 100mV/A", value);
		return 0;
	case LULL_CLAMP_COLUMNS: return set_columns(&in->told, value, who);
	case LULL_CLAMP_UNIT:
		if (lull_clamp_unit_parse(value, strlen(value), &in->told.unit))
			return lull_misuse(who, "'%s' is no unit of a clamp's log; write mV, V, mA or A", value);
		return 0;
	case LULL_CLAMP_INVERT: in->told.invert = true; return 0;
	case LULL_CLAMP_RANGE: return set_range(&in->told, value, who);
	case LULL_CLAMP_ZERO_BEFORE: in->zero_before = value; return 0;
	case LULL_CLAMP_ZERO_AFTER: in->zero_after = value; return 0;
	}
	return 0;
}

int lull_clamp_input_check(const struct lull_clamp_input *in, const char *who)
{
	const struct lull_clamp_options *o = &in->told;

	if (!in->path &&
		(isfinite(o->mV_per_A) || isfinite(o->range_A) || o->invert || o->unit || o->time[0] || o->value[0] ||
			o->date[0] || o->unit_column[0] || in->zero_before || in->zero_after))
		return lull_misuse(who, "something is told of a clamp's log, but no log is given (--clamp FILE)");
	return 0;
}

/* --- opening --- */

static int read_zero(const struct lull_clamp_input *in, const char *option, const char *text, double *mA, char *err,
	size_t err_size)
{
	const enum lull_clamp_unit unit = lull_clamp_unit(in->log);
	int r;

	if (!text)
		return 0;
	r = lull_clamp_reading(text, unit, in->told.mV_per_A, mA);
	if (r == -EDOM)
		(void)snprintf(err, err_size,
			"%s '%s' is a voltage: what is the clamp's scale? (--clamp-scale 10mV/A or 100mV/A)", option, text);
	else if (r)
		(void)snprintf(err, err_size, "%s '%s' is no reading; write it with its unit (0.4mV, 12mA), else %s is meant",
			option, text, lull_clamp_unit_name(unit));
	if (!r && in->told.invert)
		*mA = 0 - *mA; /* no -0 */
	return r ? -1 : 0;
}

int lull_clamp_input_open(
	struct lull_clamp_input *in, const struct lull_profile *profile, char *err, size_t err_size)
{
	const bool scale_told = isfinite(in->told.mV_per_A);

	if (profile && !scale_told)
		in->told.mV_per_A = profile->clamp_mV_per_A;
	if (profile && !isfinite(in->told.range_A))
		in->told.range_A = profile->clamp_range_A;
	in->log = lull_clamp_open(in->path, &in->told, err, err_size);
	if (!in->log)
		return -1;
	in->about = lull_clamp_about(in->log);
	if (read_zero(in, "--zero-before", in->zero_before, &in->about.zero_before_mA, err, err_size) ||
		read_zero(in, "--zero-after", in->zero_after, &in->about.zero_after_mA, err, err_size))
		return -1;
	if (profile)
		in->about.logger_mA = profile->clamp_logger_mA;
	if (scale_told && !isfinite(in->about.mV_per_A))
		(void)snprintf(in->note, sizeof in->note, "the log is in %s: --clamp-scale was not used",
			lull_clamp_unit_name(lull_clamp_unit(in->log)));
	return 0;
}

void lull_clamp_input_close(struct lull_clamp_input *in)
{
	if (in->log)
		lull_clamp_close(in->log);
	in->log = NULL;
}

/* --- into the recording --- */

static int leave_out(const struct lull_sink *sink, const char *text)
{
	char clean[2048];

	return sink->left_out(sink->ctx, lull_page_clean(text, clean, sizeof clean));
}

static int tell(const struct lull_clamp_input *in, const struct lull_sink *sink)
{
	const char *sentence = NULL;
	const uint64_t skipped = lull_clamp_skipped(in->log, &sentence);
	char text[1024];
	int r = 0;

	if (skipped) {
		(void)snprintf(text, sizeof text, "%s: %" PRIu64 " %s passed over as no sample; the first: %s", in->path, skipped,
			skipped == 1 ? "line was" : "lines were", sentence ? sentence : "not kept");
		r = leave_out(sink, text);
	}
	if (!r && lull_clamp_damage(in->log))
		r = leave_out(sink, lull_clamp_damage(in->log));
	return r;
}

int lull_clamp_input_run(struct lull_clamp_input *in, const struct lull_sink *sink, struct lull_progress *progress,
	const volatile int *stop, char *err, size_t err_size)
{
	const struct lull_clamp given = in->about;
	struct lull_chunk chunk;
	uint32_t longest = 0;
	int r = 0;

	while (!r && lull_clamp_read(in->log, &chunk)) {
		if (++in->chunks > CHUNKS_MOST) {
			(void)snprintf(err, err_size,
				"%s: its samples keep no rhythm (%d pieces so far): thin it out to a steady rate first", in->path,
				CHUNKS_MOST);
			return -EINVAL;
		}
		if (*stop)
			return -EINTR;
		r = sink->chunk(sink->ctx, &chunk);
		in->last_ns = chunk.tau_ns + chunk.step_ns * (chunk.count - 1);
		if (chunk.count > longest) {
			longest = chunk.count;
			in->step_ns = chunk.step_ns;
		}
		lull_progress_step(progress, chunk.count, lull_clamp_progress(in->log));
	}
	if (r)
		return r;
	in->about = lull_clamp_about(in->log);
	in->about.zero_before_mA = given.zero_before_mA;
	in->about.zero_after_mA = given.zero_after_mA;
	in->about.logger_mA = given.logger_mA;
	in->about.live = in->live;
	r = sink->clamp(sink->ctx, &in->about);
	return r ? r : tell(in, sink);
}
