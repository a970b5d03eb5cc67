/* SPDX-License-Identifier: GPL-3.0-or-later */
/* truth: a verdict beside what was true of the night. */
#include "nights.h"

#include <gsl/gsl_cdf.h>
#include <stdio.h>
#include <string.h>

const struct lull_truth_node *true_node(const struct lull_truth *truth, const char *name)
{
	for (size_t i = 0; i < truth->node_count; i++)
		if (!strcmp(truth->nodes[i].name, name))
			return &truth->nodes[i];
	return NULL;
}

bool node_sends(const struct lull_truth_node *node, uint32_t id)
{
	for (size_t i = 0; node && i < node->id_count; i++)
		if (node->ids[i] == id)
			return true;
	return false;
}

bool is_node(const struct lull_suspect *s, const struct lull_truth_node *node)
{
	size_t hits = 0;
	for (size_t i = 0; i < s->id_count; i++)
		hits += node_sends(node, s->ids[i]);
	return s->id_count > 0 && hits * 2 > s->id_count;
}

bool is_guilty(const struct lull_suspect *s, const struct lull_truth *truth, enum lull_code code)
{
	for (size_t i = 0; i < truth->finding_count; i++)
		/* an unplug test names by what the person at the plug said */
		if (truth->finding[i].code == code && truth->finding[i].node[0] && truth->finding[i].role == s->role &&
			(is_node(s, true_node(truth, truth->finding[i].node)) || !strcmp(s->node, truth->finding[i].node)))
			return true;
	return false;
}

/* Another code that is as right; LULL_CODE_COUNT: none. */
static enum lull_code as_right(const struct lull_truth *truth, const struct lull_truth_finding *f)
{
	if (f->decidable)
		return LULL_CODE_COUNT;
	if (f->code == LULL_WITHIN_LIMIT || f->code == LULL_DRAW_WHILE_QUIET)
		return LULL_DRAW_NOT_MEASURED; /* the zero cannot decide it */
	if (f->code == LULL_WOKEN_FROM_OUTSIDE && truth->may[LULL_WOKEN_AGAIN])
		return LULL_WOKEN_AGAIN; /* as long as nobody is named */
	return f->code == LULL_DRAW_NOT_MEASURED && truth->may[LULL_WITHIN_LIMIT] ? LULL_WITHIN_LIMIT : LULL_CODE_COUNT;
}

/* A log that ends early is known to only by its place in the night. */
static bool need_not_show(const struct lull_truth *truth, const struct lull_truth_finding *f, const struct lull_verdict *v)
{
	return f->code == LULL_CLAMP_LOST && truth->clamp.lost_why == LULL_DEAD_ENDED && !v->current.lineup.paired;
}

bool codes_agree(const struct lull_truth *truth, const struct lull_verdict *v)
{
	bool got[LULL_CODE_COUNT] = { false }, explained[LULL_CODE_COUNT];

	memcpy(explained, truth->may, sizeof explained);
	for (size_t i = 0; i < v->findings.n; i++)
		got[v->findings.at[i].code] = true;
	for (size_t i = 0; i < truth->finding_count; i++) {
		const struct lull_truth_finding *f = &truth->finding[i];

		enum lull_code other = as_right(truth, f);

		explained[f->code] = true;
		if (other != LULL_CODE_COUNT)
			explained[other] = true;
		if (!got[f->code] && !(other != LULL_CODE_COUNT && got[other]) && !need_not_show(truth, f, v))
			return false;
	}
	for (int code = 0; code < LULL_CODE_COUNT; code++)
		if (got[code] && !explained[code])
			return false;
	return true;
}

void describe(const struct lull_truth *truth, const struct lull_verdict *v, const char *what, bool named)
{
	printf("  %s seed %llu%s: %s\n    truth:", truth->scenario, (unsigned long long)truth->seed, named ? " (node map)" : "", what);
	for (size_t i = 0; i < truth->finding_count; i++)
		printf(" %s[%s%s]", lull_code_name(truth->finding[i].code), truth->finding[i].node,
			truth->finding[i].decidable ? "" : " undecidable");
	printf("  key-off %.1f quiet %.1f wakes %u\n    verdict: key-off %.1f settle %.1f to %.1f\n", truth->key_off_s, truth->first_quiet_s,
		truth->wakes, lull_seconds(v->key_off), lull_seconds(v->settle_from), lull_seconds(v->judged_to));
	for (size_t i = 0; i < v->findings.n; i++) {
		const struct lull_finding *f = &v->findings.at[i];
		printf("    - %s: %s\n", lull_code_name(f->code), f->text);
		for (size_t k = 0; k < f->suspects.n && k < 6; k++)
			printf("      %s %.2f %s %s\n", (int)k == f->named ? "NAMED" : "     ", f->suspects.at[k].confidence,
				lull_role_name(f->suspects.at[k].role), f->suspects.at[k].node);
		for (size_t k = 0; k < f->evidence.n; k++)
			printf("      . %s\n", f->evidence.at[k]);
	}
}

int sender_of(const struct lull_truth *truth, const char *bus, uint32_t id)
{
	for (size_t i = 0; i < truth->node_count; i++)
		if (!strcmp(truth->nodes[i].bus, bus) && node_sends(&truth->nodes[i], id))
			return (int)i;
	return -1;
}

bool too_few_right(unsigned right, unsigned nights, double share)
{
	/* the cumulated binomial; by its own sum it would underflow from some hundred nights on */
	return nights && gsl_cdf_binomial_P(right, share, nights) < 0.005;
}
