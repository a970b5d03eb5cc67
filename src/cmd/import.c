/* SPDX-License-Identifier: GPL-3.0-or-later */
/* import: captures -> retimers -> observer -> recording. */
#include <cmd/cmd.h>
#include <cmd/import_identity.h>
#include <cmd/import_options.h>
#include <cmd/tee.h>
#include <cmd/told.h>
#include <errno.h>
#include <inttypes.h>
#include <lull/text.h>
#include <math.h>
#include <report/page.h>
#include <report/when.h>
#include <signal.h>
#include <stdarg.h>
#include <source/profile.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <store/store.h>
#include <unistd.h>

#define LULL_PROFILE_MOST ((size_t)1 << 20)
#define LULL_CLOCK_ERROR LULL_SEC /* what a capture's own dates are trusted to, without further news */
#define LULL_DAMAGE_EXTENT LULL_SEC /* so much of the time behind a file's damage is told as blind at least */

static const char who[] = "lull import";
static volatile int stopped;

static void on_signal(int sig)
{
	(void)sig;
	stopped = 1;
}

/* Whatever would end the program ends the import instead, so that the unfinished file goes: a key, a service manager, a terminal
 * that is closed, a reader that is gone. A hang-up that nohup(1) has set aside stays ignored. */
static void end_on_signals(void)
{
	static const int ends[] = {SIGHUP, SIGINT, SIGTERM, SIGPIPE};
	const struct sigaction act = {.sa_handler = on_signal};

	for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
		struct sigaction before;

		if (ends[i] == SIGHUP && !sigaction(SIGHUP, NULL, &before) && before.sa_handler == SIG_IGN)
			continue;
		(void)sigaction(ends[i], &act, NULL);
	}
}

struct import {
	const struct lull_import_options *o;
	struct lull_inputs *inputs;
	struct lull_store *store;
	struct lull_tee tee;
	struct lull_told told;
	struct lull_told_base base;
	struct lull_coverage *coverage;
	size_t coverage_count;
	struct lull_clamp_input *clamp;
	const struct lull_profile *car;
	lull_time end;
};

static int leave_out(struct import *im, const char *format, ...) LULL_PRINTF(2, 3);
static int leave_out(struct import *im, const char *format, ...)
{
	char text[1024], clean[2048];
	va_list ap;

	va_start(ap, format);
	(void)vsnprintf(text, sizeof text, format, ap);
	va_end(ap);
	return im->inputs->sink.left_out(im->inputs->sink.ctx, lull_page_clean(text, clean, sizeof clean));
}

static int tell_captures(struct import *im)
{
	size_t i;
	int r = 0;

	for (i = 0; i < im->inputs->n && !r; i++) {
		const struct lull_input *in = &im->inputs->in[i];
		const char *sentence = NULL;
		uint64_t skipped = lull_capture_skipped(in->capture, &sentence);

		if (lull_capture_damage(in->capture))
			r = leave_out(im, "%s", lull_capture_damage(in->capture));
		if (skipped && !r)
			r = leave_out(im, "%s: %" PRIu64 " %s passed over as no CAN frame%s%s", in->path,
				skipped, skipped == 1 ? "entry was" : "entries were",
				sentence ? "; the first: " : "", sentence ? sentence : "");
		if (in->misplaced && !r)
			r = leave_out(im,
				"%s: at least %" PRIu64
				" frames could not be placed in time and were left out",
				in->path, in->misplaced);
		if (in->no_bus && !r)
			r = leave_out(im, "%s: %" PRIu64 " frames of buses beyond the %dth", in->path,
				in->no_bus, LULL_BUS_MAX);
	}
	return r;
}

/* Marks go in by the clock maps of the whole run. The end of the recording is at least at the last of them. */
static int put_marks(struct import *im)
{
	size_t i;
	int r = 0;

	for (i = 0; i < im->told.mark_count && !r; i++) {
		struct lull_mark m = im->told.marks[i].mark;
		lull_time t = lull_told_mark_time(&im->told.marks[i], &im->base, &im->tee);

		/* A mark written to the second may lie a little before the first frame. */
		if (t != LULL_NEVER && t < 0 && t > -LULL_SEC)
			t = 0;
		if (t == LULL_NEVER || t < 0) {
			char length[LULL_WHEN];

			r = leave_out(im, "the mark '%s' lies %s before the recording begins", m.text,
				t == LULL_NEVER ? "far" : lull_when_length(-t, length));
			continue;
		}
		if (t > LULL_LONGEST) {
			r = leave_out(im, "the mark '%s' lies more than ten years after the recording begins", m.text);
			continue;
		}
		m.t = t;
		if (t > im->end)
			im->end = t;
		r = im->inputs->sink.mark(im->inputs->sink.ctx, &m);
	}
	return r;
}

/* Behind its last capture a bus was observed as far as somebody says so; from there on it is blind. */
static int blind_rest(struct import *im)
{
	unsigned b;
	size_t i;
	int r = 0;

	for (b = 0; b < im->inputs->bus_count && !r; b++) {
		bool damaged;
		lull_time from = lull_inputs_last(im->inputs, b, &damaged);

		if (from == LULL_NEVER)
			continue; /* no frame: told coverage alone speaks */
		if (damaged) {
			lull_time to =
				im->end > from + LULL_DAMAGE_EXTENT ? im->end : from + LULL_DAMAGE_EXTENT;

			r = lull_observer_blind(im->inputs->observer, b, from, to, LULL_BLIND_FILE_DAMAGED);
			if (to > im->end)
				im->end = to;
			continue;
		}
		for (i = 0; i < im->coverage_count; i++) {
			const struct lull_coverage *c = &im->coverage[i];

			if (c->why == LULL_OBSERVED && (c->bus == b || c->bus == LULL_BUS_ALL) &&
				c->from <= from && c->to > from)
				from = c->to;
		}
		if (im->end > from)
			r = lull_observer_blind(
				im->inputs->observer, b, from, im->end, LULL_BLIND_CAPTURE_ENDED);
	}
	return r;
}

static int put_identity(struct import *im)
{
	struct lull_night_identity identity = {.uuid = ""};
	int r = lull_import_uuid(im->inputs, im->clamp, identity.uuid);

	memcpy(identity.vehicle, im->car->vehicle, sizeof identity.vehicle);
	memcpy(identity.model, im->car->model, sizeof identity.model);
	return r ? r : lull_store_identity(im->store, &identity);
}

static int put_texts(struct import *im, const char *profile)
{
	char *list = NULL;
	size_t size, i;
	FILE *f = open_memstream(&list, &size);
	int r;

	if (!f)
		return -ENOMEM;
	for (i = 0; i < im->inputs->n; i++) {
		const struct lull_capture *capture = im->inputs->in[i].capture;
		const char *note = lull_capture_note(capture);
		char clean[4096];

		(void)fprintf(f, "%s (%s%s%s)\n",
			lull_page_clean(im->inputs->in[i].path, clean, sizeof clean),
			lull_capture_kind(capture), note ? "; " : "", note ? note : "");
	}
	for (unsigned b = 0; b < im->inputs->bus_count; b++) {
		char clean[LULL_BUS_NAME * 10];

		if (im->inputs->was[b][0])
			(void)fprintf(f, "bus %s is '%s' in the capture\n", im->inputs->bus[b],
				lull_page_clean(im->inputs->was[b], clean, sizeof clean));
	}
	if (fclose(f)) {
		free(list);
		return -ENOMEM;
	}
	r = lull_store_text(im->store, "capture", list);
	if (!r && im->clamp->log)
		r = lull_store_text(im->store, "clamp", im->clamp->path);
	if (!r)
		r = lull_store_text(im->store, "created-by", "lull " LULL_VERSION);
	if (!r && profile)
		r = lull_store_text(im->store, "profile", profile);
	if (!r)
		r = put_identity(im);
	free(list);
	return r;
}

/* The clamp's samples. Where its clock is the recording's, the night is as long as the log, and no bus was heard in it. */
static int put_clamp(struct import *im, char *err, size_t err_size)
{
	struct lull_clamp_input *in = im->clamp;
	int r;

	if (!in->log)
		return 0;
	r = lull_clamp_input_run(in, &im->inputs->sink, im->inputs->progress, &stopped, err, err_size);
	if (r || !in->live)
		return r;
	if (in->last_ns > im->end)
		im->end = in->last_ns;
	return 0;
}

static int unheard(struct import *im)
{
	const struct lull_coverage row = {
		.bus = LULL_BUS_ALL, .why = LULL_BLIND_NOT_LISTENING, .from = 0, .to = im->end};

	return im->clamp->live ? im->inputs->sink.coverage(im->inputs->sink.ctx, &row) : 0;
}

/* "can0, can1": what the captures hold. */
static const char *bus_list(const struct lull_inputs *inputs, char *out, size_t size)
{
	size_t n = 0;

	(void)snprintf(out, size, "none");
	for (unsigned b = 0; b < inputs->bus_count && n < size; b++)
		n += (size_t)snprintf(out + n, size - n, "%s%s", b ? ", " : "", inputs->bus[b]);
	return out;
}

/* A bit rate for a bus that is not there is a typing error, and the bus that was meant would have none. Known only once all captures are
 * read: a bus may turn up in the last frame. */
static int check_rates(const struct import *im, char *err, size_t err_size)
{
	char list[LULL_BUS_MAX * (LULL_BUS_NAME + 2)];

	for (size_t i = 0; i < im->o->given_count; i++) {
		if (lull_inputs_bus(im->inputs, im->o->given[i].name) >= 0)
			continue;
		(void)snprintf(err, err_size, "--bitrate names bus '%s', which is in none of the captures; their buses: %s; nothing was written",
			im->o->given[i].name, bus_list(im->inputs, list, sizeof list));
		return -EINVAL;
	}
	return 0;
}

/* Everything between the open inputs and the finished rows. */
static int run(struct import *im, const char *profile, char *err, size_t err_size)
{
	struct lull_inputs *inputs = im->inputs;
	const char *unknown = NULL;
	char list[LULL_BUS_MAX * (LULL_BUS_NAME + 2)];
	size_t i;
	int r = lull_inputs_buses(inputs);

	if (!r && !im->clamp->live)
		r = lull_told_coverage(&im->told, &im->base, inputs, &im->coverage, &im->coverage_count, &unknown);
	for (i = 0; i < im->coverage_count && !r; i++) {
		if (im->coverage[i].to <= LULL_LONGEST)
			continue;
		(void)snprintf(err, err_size, "%s: a time lies more than ten years after the recording begins; correct its date; nothing was written",
			im->o->coverage ? im->o->coverage : im->o->marks);
		r = -EINVAL;
	}
	inputs->told = im->coverage;
	inputs->told_count = im->coverage_count;
	if (!r && unknown)
		r = leave_out(im, "%s: bus '%s' is in none of the captures; their buses: %s", im->o->coverage, unknown,
			bus_list(inputs, list, sizeof list));
	if (!r && im->base.dates) {
		const struct lull_clock_map map = {
			.t = 0, .utc_ns = im->base.zero, .error_ns = LULL_CLOCK_ERROR};

		r = inputs->sink.clock(inputs->sink.ctx, &map);
	}
	if (!r)
		r = lull_inputs_run(inputs, im->base.zero);
	if (!r)
		r = check_rates(im, err, err_size);
	if (!r)
		r = put_clamp(im, err, err_size);
	for (i = 0; i < inputs->n; i++) {
		if (inputs->in[i].last > im->end)
			im->end = inputs->in[i].last;
	}
	for (i = 0; i < im->coverage_count; i++) {
		if (im->coverage[i].to > im->end)
			im->end = im->coverage[i].to;
	}
	if (!r)
		r = put_marks(im);
	if (!r)
		r = unheard(im);
	if (!r)
		r = lull_inputs_told_rest(inputs);
	if (!r)
		r = blind_rest(im);
	if (!r)
		r = tell_captures(im);
	if (!r)
		r = lull_observer_finish(inputs->observer, im->end);
	if (!r)
		r = put_texts(im, profile);
	if (r && !err[0])
		(void)snprintf(
			err, err_size, "%s", r == -EINTR ? "interrupted; nothing was written" : strerror(-r));
	return r;
}

static bool zero_marked(const struct lull_told *told)
{
	for (size_t i = 0; i < told->mark_count; i++) {
		if (told->marks[i].mark.kind == LULL_MARK_CLAMP_ZERO)
			return true;
	}
	return false;
}

/* What was taken for what, so that a wrong scale or unit shows at once. */
static void clamp_summary(const struct lull_clamp_input *in, const struct lull_told *told)
{
	const struct lull_clamp *c = &in->about;
	const char *note = lull_clamp_note(in->log);
	char clean[4096], length[LULL_WHEN], step[LULL_WHEN], scale[48] = "";

	if (isfinite(c->mV_per_A))
		(void)snprintf(scale, sizeof scale, " at %g mV/A", c->mV_per_A);
	(void)printf("%s: %" PRIu64 " samples in %s%s%s, every %s, %s\n", lull_page_clean(in->path, clean, sizeof clean),
		c->samples, lull_clamp_unit_name(lull_clamp_unit(in->log)), scale, c->inverted ? ", turned" : "",
		lull_when_length(in->step_ns, step), lull_when_length(in->last_ns, length));
	if (lull_clamp_overloads(in->log))
		(void)printf("%s: %" PRIu64 " %s at the end of its range\n", clean, lull_clamp_overloads(in->log),
			lull_clamp_overloads(in->log) == 1 ? "reading" : "readings");
	if (note)
		(void)printf("%s: %s\n", clean, note);
	if (in->note[0])
		(void)printf("%s: %s\n", clean, in->note);
	if (!isfinite(c->zero_before_mA) && !isfinite(c->zero_after_mA))
		(void)printf(zero_marked(told) ? "The report looks for the zero where marks say \"clamp zero\".\n"
					       : "No zero reading was given: the level is only as good as the clamp's own zero.\n");
}

static void say_renamed(const struct lull_inputs *inputs, unsigned bus)
{
	char clean[LULL_BUS_NAME * 10];
	const char *was = inputs->was[bus], *fault = lull_name_fault(was, strlen(was));

	(void)printf("Bus '%s' is called %s in the recording: %s%s\n", lull_page_clean(was, clean, sizeof clean), inputs->bus[bus],
		fault ? "its name " : "another bus has that name already", fault ? fault : "");
}

static void summary(const struct import *im)
{
	char length[LULL_WHEN], clean[4096];
	char *word = lull_shell_word(im->o->output);

	(void)printf("%s: ", lull_page_clean(im->o->output, clean, sizeof clean));
	if (im->inputs->n)
		(void)printf("%" PRIu64 " frames, %u %s, ", im->tee.frames, im->inputs->bus_count,
			im->inputs->bus_count == 1 ? "bus" : "buses");
	else
		(void)printf("current only, ");
	(void)printf("%s\n", lull_when_length(im->end, length));
	if (im->clamp->log)
		clamp_summary(im->clamp, &im->told);
	for (size_t i = 0; i < im->inputs->n; i++) {
		const char *note = lull_capture_note(im->inputs->in[i].capture);

		if (note)
			(void)printf("%s: %s\n", lull_page_clean(im->inputs->in[i].path, clean, sizeof clean),
				note);
	}
	for (unsigned b = 0; b < im->inputs->bus_count; b++)
		if (im->inputs->was[b][0])
			say_renamed(im->inputs, b);
	if (im->tee.overflow)
		(void)printf("Frames of more IDs than the table holds were only counted.\n");
	if (im->tee.left_out)
		(void)printf("%zu %s left out; the report says what.\n", im->tee.left_out,
			im->tee.left_out == 1 ? "thing was" : "things were");
	(void)printf("Next: lull report %s\n", word ? lull_page_clean(word, clean, sizeof clean) : "");
	free(word);
}

/* Captures with and without dates have no common time. */
static bool same_clocks(const struct lull_inputs *inputs, bool *dates)
{
	const struct lull_input *first = NULL;
	size_t i;

	for (i = 0; i < inputs->n; i++) {
		const struct lull_input *in = &inputs->in[i];

		if (!in->has_frames)
			continue;
		if (!first) {
			first = in;
			*dates = lull_capture_has_dates(in->capture);
		} else if (*dates != lull_capture_has_dates(in->capture)) {
			(void)lull_fail(who, "%s has dates and %s has none: import them one by one",
				*dates ? first->path : in->path, *dates ? in->path : first->path);
			return false;
		}
	}
	return true;
}

/* Without a frame the clamp's clock is the only one: it is the recording's, from its first sample on. */
static int clamp_base(struct import *im, char *err, size_t err_size)
{
	const struct lull_clamp *about = &im->clamp->about;
	int r;

	im->clamp->live = true;
	im->base = (struct lull_told_base){
		.dates = about->dated, .frames = true, .first = about->dated ? about->start_utc_ns : 0};
	r = lull_told_base(&im->told, &im->base, err, err_size);
	im->base.zero = im->base.first;
	return r;
}

/* With the captures open: recording zero, store, observer, run, commit. Returns the exit status. */
static int make(struct import *im, const char *profile)
{
	struct lull_sink to;
	char err[1024] = "";
	int r;

	im->base.frames = lull_inputs_first(im->inputs, &im->base.first);
	if (!same_clocks(im->inputs, &im->base.dates))
		return LULL_EXIT_ERROR;
	r = im->inputs->n ? lull_told_base(&im->told, &im->base, err, sizeof err) : -ENODATA;
	if (r == -ENODATA && im->clamp->log)
		r = clamp_base(im, err, sizeof err);
	if (r == -ENODATA)
		return lull_fail(who,
			"nothing was heard: no frame in %s, and neither marks nor coverage say that anybody "
			"listened; nothing was written",
			im->inputs->in[0].path);
	if (r)
		return lull_fail(who, "%s", err);
	im->store = lull_store_create(im->o->output, im->o->force, err, sizeof err);
	if (!im->store)
		return lull_fail(who, "%s", err);
	to = lull_store_sink(im->store);
	im->inputs->sink = lull_tee_sink(&im->tee, &to);
	im->inputs->observer = lull_observer_new(&im->inputs->sink);
	r = im->inputs->observer ? run(im, profile, err, sizeof err) : -ENOMEM;
	lull_progress_end(im->inputs->progress);
	if (r) {
		lull_store_abandon(im->store);
		return lull_fail(who, "%s: %s", im->o->output, err[0] ? err : strerror(-r));
	}
	if (lull_store_commit(im->store, err, sizeof err))
		return lull_fail(who, "%s", err);
	summary(im);
	return im->tee.left_out || im->tee.overflow ? LULL_EXIT_SOME : LULL_EXIT_OK;
}

static int read_profile(struct lull_import_options *o, struct lull_profile *profile, char **text)
{
	char err[1024];
	size_t size;

	lull_profile_init(profile);
	if (o->profile) {
		*text = lull_text_read(o->profile, LULL_PROFILE_MOST, &size, err, sizeof err);
		if (!*text || lull_profile_parse_text(o->profile, *text, size, profile, err, sizeof err))
			return lull_fail(who, "%s", err);
		memcpy(o->rates, profile->bus, profile->bus_count * sizeof profile->bus[0]);
		o->rate_count = profile->bus_count;
	}
	memcpy(o->rates + o->rate_count, o->given, o->given_count * sizeof o->given[0]);
	o->rate_count += o->given_count;
	return 0;
}

int lull_cmd_import(int argc, char **argv)
{
	static struct lull_inputs inputs;
	struct lull_import_options o = {0};
	struct import im = {.o = &o, .inputs = &inputs};
	struct lull_progress progress;
	struct lull_profile car;
	char err[1024] = "", *profile = NULL;
	int r = lull_import_parse(argc, argv, &o, &inputs);

	if (r >= 0)
		return r;
	im.clamp = &o.clamp;
	im.car = &car;
	if (read_profile(&o, &car, &profile)) {
		free(profile);
		return LULL_EXIT_ERROR;
	}
	end_on_signals();
	lull_progress_begin(&progress, "import");
	inputs.progress = &progress;
	inputs.stop = &stopped;
	inputs.rates = o.rates;
	inputs.rate_count = o.rate_count;
	r = LULL_EXIT_ERROR;
	if (!o.force && access(o.output, F_OK) == 0)
		(void)lull_fail(who, "%s exists; --force replaces it", o.output);
	else if (lull_told_read(&im.told, o.marks, o.coverage, o.key_off, err, sizeof err) ||
		lull_inputs_open(&inputs,
			o.columns.time[0] || o.columns.id[0] || o.columns.extended[0] || o.columns.bus[0] ||
					o.columns.length[0] || o.columns.data[0] || o.columns.unit
				? &o.columns
				: NULL,
			err, sizeof err))
		(void)lull_fail(who, "%s", err[0] ? err : "out of memory");
	else if (o.clamp.path && lull_clamp_input_open(&o.clamp, &car, err, sizeof err))
		(void)lull_fail(who, "%s", err);
	else
		r = make(&im, profile);
	lull_inputs_close(&inputs);
	lull_clamp_input_close(&o.clamp);
	lull_profile_clear(&car);
	if (inputs.observer)
		lull_observer_free(inputs.observer);
	lull_told_clear(&im.told);
	lull_tee_clear(&im.tee);
	free(im.coverage);
	free(profile);
	return r;
}
