/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text_draws: what each node draws, as far as the night tells them apart. */
#include <math.h>
#include <report/text_current.h>
#include <stdlib.h>

#define NODES_MOST 12
#define PER_CENT_95 1.96

static int by_draw(const void *x, const void *y)
{
	const double a = (*(const struct lull_node *const *)x)->stop_mA, b = (*(const struct lull_node *const *)y)->stop_mA;

	return (a < b) - (a > b);
}

static void told_apart(const struct lull_page *p, const struct lull_verdict *v)
{
	const struct lull_node **order = calloc(v->nodes.n ? v->nodes.n : 1, sizeof *order);
	bool silent = false;
	size_t n = 0, i;

	if (!order)
		return;
	for (i = 0; i < v->nodes.n; i++) {
		if (isfinite(v->nodes.at[i].stop_mA))
			order[n++] = &v->nodes.at[i];
	}
	qsort(order, n, sizeof *order, by_draw);
	for (i = 0; i < n && i < NODES_MOST; i++) {
		bool whole = isfinite(order[i]->awake_mA);

		silent |= !whole;
		lull_page_itemf(p, i ? "" : "Nodes", "%s %.0f mA +-%.1f%s", order[i]->name, whole ? order[i]->awake_mA : order[i]->stop_mA,
			PER_CENT_95 * (whole ? order[i]->awake_mA_error : order[i]->stop_mA_error), whole ? "" : " *");
	}
	if (n > NODES_MOST)
		lull_page_itemf(p, "", "and %zu more, each less", n - NODES_MOST);
	if (n)
		lull_page_item(p, "", "(while awake; by when each started and stopped)");
	if (silent)
		lull_page_item(p, "", "* what the current falls by when it stops; what it may draw on silently, the bus awake, is not in it");
	free(order);
}

static void not_told_apart(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v,
	const struct lull_inseparable *set)
{
	char *names = NULL, sum[64] = "";
	size_t size = 0, i;
	FILE *f = open_memstream(&names, &size);

	if (!f)
		return;
	for (i = 0; i < set->n; i++)
		(void)fprintf(f, "%s%s", !i ? "" : i + 1 < set->n || set->whole ? ", " : " and ", v->nodes.at[set->nodes[i]].name);
	if (set->whole)
		(void)fprintf(f, " and whatever stays up silently while %s awake",
			set->bus == LULL_BUS_ALL ? "the buses are" : w->night->bus_count > 1 ? "their bus is" : "the bus is");
	if (isfinite(set->mA))
		(void)snprintf(sum, sizeof sum, ": together %.0f mA +-%.1f", set->mA, PER_CENT_95 * set->mA_error);
	if (fclose(f) == 0)
		lull_page_itemf(p, "Together", "%s cannot be separated: hardly ever one of them is awake without the rest%s", names, sum);
	free(names);
}

void lull_text_draws(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	size_t i;

	told_apart(p, v);
	for (i = 0; i < v->current.inseparable.n; i++)
		not_told_apart(p, w, v, &v->current.inseparable.at[i]);
}
