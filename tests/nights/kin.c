/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin: how well IDs were grouped by timing, against who really sends them. */
#include "nights.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define MOST_IDS 1024
#define ENOUGH_BUSES 5
#define ENOUGH_PAIRS 200

/* Aims, for IDs heard for half an hour, each at its own pace; of pairs of all IDs joined. */
static const double least_index[STAMPS] = { 0.9, 0.8, 0.7, 0.7 }, least_precision = 0.95;

static const char *const stamp_names[STAMPS] = { "hardware", "software", "batches", "milliseconds" };

static enum stamps stamps_of(const struct sized *size)
{
	if (size->whole_ms == size->frames)
		return STAMP_MS;
	if (size->whole_us == size->frames)
		return STAMP_HARDWARE;
	return size->whole_ms > size->frames / 5 ? STAMP_BATCH : STAMP_SOFTWARE;
}

/* Time that the ID was heard sending in step. */
static lull_time sent_for(const struct lull_night *night, const struct lull_id_info *info)
{
	lull_time sum = 0;
	for (size_t i = 0; i < night->stretches.n; i++)
		if (night->stretches.at[i].id == info->id && night->stretches.at[i].bus == info->bus)
			sum += night->stretches.at[i].last - night->stretches.at[i].first;
	return sum;
}

/* What there is to tell a sender by. */
static enum heard heard_of(const struct lull_night *night, const struct lull_id_info *info)
{
	if (!info->cyclic)
		return HEARD_EVENTS;
	if (!(info->jitter_ms < 0.08 * info->period_ms)) /* a ring's messages, answers, what changes its period */
		return HEARD_NO_TIMER;
	lull_time sent = sent_for(night, info);
	return sent < 30 * LULL_SEC ? HEARD_30_S : sent < 5 * LULL_MIN ? HEARD_5_MIN : HEARD_LONG;
}

static void score_sure(const struct lull_sim_night *sim, const struct lull_verdict *v, struct kin_table *table)
{
	for (size_t a = 0; a < v->ids.n; a++) {
		const struct lull_id_info *x = &v->ids.at[a];
		if (!(x->kin > 0))
			continue;
		unsigned others = 0, own = 0;
		for (size_t b = 0; b < v->ids.n; b++) {
			const struct lull_id_info *y = &v->ids.at[b];
			if (a == b || y->bus != x->bus || y->node != x->node || !(y->kin > 0))
				continue;
			others++;
			own += sender_of(&sim->truth, sim->bus_name[x->bus], x->id) == sender_of(&sim->truth, sim->bus_name[y->bus], y->id);
		}
		unsigned bin = (unsigned)(x->kin * DECILES);
		bin = bin < DECILES ? bin : DECILES - 1;
		table->sure_n[bin]++;
		table->sure_hit[bin] += own * 2 > others;
		table->sure_sum[bin] += x->kin;
	}
}

static void score_pairs(const struct lull_sim_night *sim, const struct lull_night *night, const struct lull_verdict *v, struct kin_table *table)
{
	enum heard heard[MOST_IDS];
	for (size_t a = 0; a < v->ids.n && a < MOST_IDS; a++)
		heard[a] = heard_of(night, &v->ids.at[a]);
	for (size_t a = 0; a < v->ids.n; a++)
		for (size_t b = a + 1; b < v->ids.n; b++) {
			const struct lull_id_info *x = &v->ids.at[a], *y = &v->ids.at[b];
			if (x->bus != y->bus || x->node < 0 || y->node < 0 || v->nodes.at[x->node].named_by != LULL_BY_TIMING ||
				v->nodes.at[y->node].named_by != LULL_BY_TIMING)
				continue;
			int sx = sender_of(&sim->truth, sim->bus_name[x->bus], x->id), sy = sender_of(&sim->truth, sim->bus_name[y->bus], y->id);
			bool same = sx >= 0 && sx == sy;
			enum heard worse = a >= MOST_IDS || b >= MOST_IDS ? HEARD_EVENTS : heard[a] > heard[b] ? heard[a] : heard[b];
			table->same += same;
			table->of_same[worse] += same;
			table->of_joined[worse] += x->node == y->node;
			table->of_right[worse] += same && x->node == y->node;
			if (x->node == y->node) {
				table->joined++;
				table->right += same;
			}
		}
}

/* Only what its node's own timer sends can be told by that timer: not what answers others, nor what a gateway forwards. */
static bool at_own_pace(const struct lull_truth *truth, const char *bus, uint32_t id)
{
	int sender = sender_of(truth, bus, id);

	for (size_t i = 0; sender >= 0 && i < truth->nodes[sender].id_count; i++)
		if (truth->nodes[sender].ids[i] == id)
			return truth->nodes[sender].own_pace[i];
	return false;
}

/* Hubert and Arabie, "Comparing partitions", Journal of Classification 2, 1985, over the IDs of a bus that timing had to group:
 * those that neither the node map nor a source address names. */
static void score_index(const struct lull_sim_night *sim, const struct lull_night *night, const struct lull_verdict *v, unsigned stamps,
	struct kin_table *table)
{
	for (unsigned bus = 0; bus < sim->bus_count; bus++)
		for (unsigned part = 0; part < 2; part++) {
			int node[MOST_IDS] = { 0 }, sender[MOST_IDS] = { 0 };
			double joined = 0, same = 0, right = 0;
			size_t n = 0;
			lull_time awake = 0;
			for (size_t i = 0; i < v->spells.n; i++)
				awake += v->spells.at[i].bus == bus ? v->spells.at[i].to - v->spells.at[i].from : 0;
			for (size_t i = 0; i < v->ids.n && n < MOST_IDS; i++) {
				const struct lull_id_info *info = &v->ids.at[i];
				if (info->bus != bus || info->node < 0 || !info->cyclic || (part && (sent_for(night, info) < 30 * LULL_MIN || !at_own_pace(&sim->truth, sim->bus_name[bus], info->id))))
					continue;
				enum lull_named_by by = v->nodes.at[info->node].named_by;
				if (by != LULL_BY_TIMING && by != LULL_BY_NM)
					continue;
				node[n] = info->node;
				sender[n++] = sender_of(&sim->truth, sim->bus_name[bus], info->id);
			}
			for (size_t a = 0; a < n; a++)
				for (size_t b = a + 1; b < n; b++) {
					joined += node[a] == node[b];
					same += sender[a] == sender[b];
					right += node[a] == node[b] && sender[a] == sender[b];
				}
			if (awake < 30 * LULL_MIN || n < 3 || same <= 0)
				continue;
			double chance = same * joined / ((double)n * (double)(n - 1) / 2), most = (same + joined) / 2;
			table->index_n[stamps][part]++;
			table->index_sum[stamps][part] += most > chance ? (right - chance) / (most - chance) : 1;
		}
}

void kin_score(const struct lull_sim_night *sim, const struct lull_night *night, const struct lull_verdict *v, const struct sized *size,
	struct kin_table *table)
{
	score_pairs(sim, night, v, table);
	score_sure(sim, v, table);
	score_index(sim, night, v, stamps_of(size), table);
}

unsigned kin_report(const struct bus_table *tables, unsigned long jobs)
{
	unsigned long long joined = 0, rightly = 0, same = 0;
	unsigned bad = 0;
	for (unsigned long job = 0; job < jobs; job++) {
		joined += tables[job].kin.joined;
		rightly += tables[job].kin.right;
		same += tables[job].kin.same;
	}
	printf("\nkin by timing: %llu pairs of IDs joined, %.1f %% rightly; %.1f %% of the %llu pairs of one sender found\n", joined,
		joined ? 100.0 * (double)rightly / (double)joined : 0, same ? 100.0 * (double)rightly / (double)same : 0, same);
	static const char *const heard_names[HEARDS] = { "5 min and more", "30 s to 5 min", "under 30 s", "on no timer", "event-driven" };
	for (unsigned k = 0; k < HEARDS; k++) {
		unsigned long long n[3] = { 0 };
		for (unsigned long job = 0; job < jobs; job++) {
			n[0] += tables[job].kin.of_same[k];
			n[1] += tables[job].kin.of_joined[k];
			n[2] += tables[job].kin.of_right[k];
		}
		if (n[0] + n[1])
			printf("  worse one heard: %-15s %6llu pairs of one sender, %5.1f %% found; %5llu joined, %5.1f %% rightly\n", heard_names[k], n[0],
				n[0] ? 100.0 * (double)n[2] / (double)n[0] : 0, n[1], n[1] ? 100.0 * (double)n[2] / (double)n[1] : 0);
	}
	for (unsigned bin = 0; bin < DECILES; bin++) {
		unsigned n = 0, hit = 0;
		double sum = 0;
		for (unsigned long job = 0; job < jobs; job++) {
			n += tables[job].kin.sure_n[bin];
			hit += tables[job].kin.sure_hit[bin];
			sum += tables[job].kin.sure_sum[bin];
		}
		if (n)
			printf("  IDs put to others, stated %.2f: %5u, right %.3f (%.3f - %.3f)\n", sum / n, n, (double)hit / n, wilson(hit, n, -1),
				wilson(hit, n, 1));
	}
	for (unsigned k = 0; k < STAMPS; k++) {
		unsigned n[2] = { 0 };
		double sum[2] = { 0 };
		for (unsigned long job = 0; job < jobs; job++)
			for (unsigned part = 0; part < 2; part++) {
				n[part] += tables[job].kin.index_n[k][part];
				sum[part] += tables[job].kin.index_sum[k][part];
			}
		if (n[0])
			printf("  stamps: %-12s %4u buses awake for 30 min and more: adjusted Rand index %.2f; %u with IDs heard so long at their own pace, of these %.2f\n",
				stamp_names[k], n[0], sum[0] / n[0], n[1], n[1] ? sum[1] / n[1] : NAN);
		if (n[1] >= ENOUGH_BUSES && sum[1] / n[1] < least_index[k]) {
			printf("  fewer than wanted: an index of %.2f\n", least_index[k]);
			bad++;
		}
	}
	if (joined >= ENOUGH_PAIRS && (double)rightly < least_precision * (double)joined) {
		printf("  fewer than wanted: %.0f %% of the pairs joined\n", 100 * least_precision);
		bad++;
	}
	return bad;
}
