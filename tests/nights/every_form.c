/* SPDX-License-Identifier: GPL-3.0-or-later */
/* every_form: see the header. */
#include "every_form.h"

#include "page/finished.h"
#include "report/compare.h"
#include "report/report.h"
#include "report/rows.h"
#include "report/status.h"

#include <jansson.h>
#include <lull/baseline.h>
#include <lull/compare.h>
#include <stdlib.h>
#include <string.h>

struct told {
	FILE *out;
	char *text;
	size_t size;
};

static void must(bool good)
{
	if (!good)
		abort();
}

static FILE *begin(struct told *t)
{
	*t = (struct told){0};
	t->out = open_memstream(&t->text, &t->size);
	must(t->out);
	return t->out;
}

static void end(struct told *t)
{
	must(fclose(t->out) == 0);
	free(t->text);
}

/* Of one document, or of one a line. */
static void end_json(struct told *t, bool lines)
{
	must(fclose(t->out) == 0);
	for (char *at = t->text, *next; *at; at = next) {
		next = lines ? strchr(at, '\n') : NULL;
		next = next ? next + 1 : at + strlen(at);
		json_t *json = json_loadb(at, (size_t)(next - at), 0, NULL);

		must(json);
		json_decref(json);
	}
	free(t->text);
}

static void reports(const struct lull_night *night, const struct lull_verdict *v, unsigned look)
{
	static const struct lull_report_style styles[] = {{.name = "night.lull"},
		{.colour = true, .blocks = true, .width = 60},
		{.name = "night.lull", .linked = true, .width = 200}};
	const struct lull_report_style *style = &styles[look % (sizeof styles / sizeof styles[0])];
	struct told t;

	must(!lull_report_text(begin(&t), night, v, style));
	end(&t);
	must(!lull_report_ids(begin(&t), night, v, style));
	end(&t);
	must(!lull_report_html(begin(&t), night, v, style));
	end(&t);
	must(!lull_report_json(begin(&t), night, v, style));
	end_json(&t, false);
}

/* What the pages of a recording that is over show, and of one that goes on. */
static void pages(const struct lull_night *night, const struct lull_verdict *v)
{
	const struct lull_status now = {.live = true, .now = v->end / 2};
	struct lull_finished f;
	struct told t;

	must(!lull_finished_make(night, v, "night.lull", &f));
	lull_finished_clear(&f);
	must(!lull_status_json(begin(&t), night, v, &now));
	end_json(&t, false);
	must(!lull_trace_json(begin(&t), night, v, 600));
	end_json(&t, false);
}

static void exports(const struct lull_night *night, const struct lull_verdict *v)
{
	struct told t;

	for (int json = 0; json < 2; json++) {
		FILE *out = begin(&t);

		lull_rows_spells(out, json, night, v);
		lull_rows_stretches(out, json, night);
		lull_rows_current(out, json, night, v);
		lull_rows_frames(out, json, night);
		if (json)
			end_json(&t, true);
		else
			end(&t);
	}
	must(!lull_rows_frames_pcapng(begin(&t), night));
	end(&t);
}

static void learned(const struct lull_verdict *v)
{
	struct lull_learned *names;
	size_t n;

	must(!lull_learn(v, &names, &n));
	lull_learned_free(names, n);
}

static void compared(
	const struct lull_night *night, const struct lull_verdict *v, const struct every_form *how)
{
	struct lull_comparison c;
	struct told t;

	must(!lull_compare(how->good, how->good_verdict, night, v, &c));
	must(!lull_compare_text(begin(&t), &c, "before.lull", "after.lull", NULL));
	end(&t);
	must(!lull_compare_json(begin(&t), &c, "before.lull", "after.lull"));
	end_json(&t, false);
	must(!lull_compare_html(begin(&t), &c, "before.lull", "after.lull"));
	end(&t);
	lull_comparison_clear(&c);
}

void every_form(const struct lull_night *night, const struct every_form *how)
{
	struct lull_verdict v;

	must(!lull_judge(night, how->ask, &v));
	must(v.findings.n > 0);
	reports(night, &v, how->look);
	pages(night, &v);
	exports(night, &v);
	learned(&v);
	if (how->good) {
		compared(night, &v, how);
		must(!lull_baseline(night, &v, how->profile, how->good, how->good_verdict));
		reports(night, &v, how->look);
	}
	lull_verdict_clear(&v);
}
