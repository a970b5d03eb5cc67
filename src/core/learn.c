/* SPDX-License-Identifier: GPL-3.0-or-later */
/* learn: which IDs belong to a name, from the unplug tests of a night. Pure.
 *
 * Two tests of one name must end the same IDs, and one ID can lose its plug with one name only: where tests contradict each
 * other, what they disagree on is left out and said, never averaged. */
#include "core/case.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

typedef LULL_ARRAY(uint32_t) id_list;
typedef LULL_ARRAY(struct lull_learned) learned_list;

static bool holds(const uint32_t *ids, size_t n, uint32_t id)
{
	for (size_t i = 0; i < n; i++)
		if (ids[i] == id)
			return true;
	return false;
}

static void drop(uint32_t *ids, size_t *n, uint32_t id)
{
	size_t kept = 0;
	for (size_t i = 0; i < *n; i++)
		if (ids[i] != id)
			ids[kept++] = ids[i];
	*n = kept;
}

static bool tells(const struct lull_pull *p)
{
	return (p->id_count || p->unclear_count) && (p->result == LULL_PULL_ENDS_IT || p->result == LULL_PULL_GOES_ON);
}

static void set_conflict(struct lull_learned *l, char *owned)
{
	if (l->conflict)
		free(owned); /* the first one is enough to look again */
	else
		l->conflict = owned;
}

static void copy_ids(struct lull_case *c, const uint32_t *from, size_t n, uint32_t **to, size_t *count)
{
	*to = malloc((n + 1) * sizeof **to);
	*count = *to ? n : 0;
	if (!*to)
		c->oom = true;
	else if (n)
		memcpy(*to, from, n * sizeof **to);
}

/* One more test of a name. What is unclear in one and sure in the other is sure. */
static void join(struct lull_case *c, struct lull_learned *l, const struct lull_pull *p)
{
	char text[11];
	uint32_t odd = LULL_ID_NONE;
	uint32_t *both = malloc((l->id_count + l->unclear_count + p->id_count + 1) * sizeof *both);
	size_t n = 0;

	if (!both) {
		c->oom = true;
		return;
	}
	for (size_t i = 0; i < l->id_count; i++) {
		if (holds(p->ids, p->id_count, l->ids[i]) || holds(p->unclear, p->unclear_count, l->ids[i]))
			both[n++] = l->ids[i];
		else
			odd = l->ids[i];
	}
	for (size_t i = 0; i < p->id_count; i++) {
		if (holds(l->ids, l->id_count, p->ids[i]))
			continue;
		if (holds(l->unclear, l->unclear_count, p->ids[i]))
			both[n++] = p->ids[i];
		else
			odd = p->ids[i];
	}
	l->tests++;
	/* unclear in both stays so; what went on in one of them is not it */
	for (size_t i = 0; i < l->unclear_count;) {
		if (holds(p->unclear, p->unclear_count, l->unclear[i]) || holds(p->ids, p->id_count, l->unclear[i]))
			i++;
		else
			drop(l->unclear, &l->unclear_count, l->unclear[i]);
	}
	free(l->ids);
	l->ids = both;
	l->id_count = n;
	for (size_t i = 0; i < n; i++)
		drop(l->unclear, &l->unclear_count, both[i]);
	if (odd != LULL_ID_NONE)
		set_conflict(l, case_say(c, "two tests of %s contradict each other: %s ended in one and not in the other", l->name,
				       lull_id_text(odd, text)));
}

static void add(struct lull_case *c, learned_list *all, const struct lull_pull *p)
{
	for (size_t i = 0; i < all->n; i++) {
		struct lull_learned *l = &all->at[i];
		if (l->bus == p->bus && l->circuit == p->circuit && !strcasecmp(l->name, p->name)) {
			join(c, l, p);
			return;
		}
	}
	struct lull_learned l = { .bus = p->bus, .circuit = p->circuit, .tests = 1 };
	memcpy(l.name, p->name, sizeof l.name);
	size_t before = all->n;
	CASE_PUSH(c, *all, l);
	if (all->n == before)
		return;
	struct lull_learned *added = &all->at[before];
	copy_ids(c, p->ids, p->id_count, &added->ids, &added->id_count);
	copy_ids(c, p->unclear, p->unclear_count, &added->unclear, &added->unclear_count);
}

/* An ID that two plugs end belongs to neither, as far as this night tells. */
static void part(struct lull_case *c, struct lull_learned *a, struct lull_learned *b)
{
	char text[11];
	for (size_t i = 0; i < a->id_count;) {
		uint32_t id = a->ids[i];
		if (!holds(b->ids, b->id_count, id)) {
			i++;
			continue;
		}
		set_conflict(a, case_say(c, "%s ended with %s and with %s", lull_id_text(id, text), a->name, b->name));
		set_conflict(b, case_say(c, "%s ended with %s and with %s", lull_id_text(id, text), a->name, b->name));
		drop(a->ids, &a->id_count, id);
		drop(b->ids, &b->id_count, id);
	}
}

static int by_name(const void *a, const void *b)
{
	const struct lull_learned *x = a, *y = b;
	int order = strcasecmp(x->name, y->name);
	return order ? order : x->bus != y->bus ? x->bus - y->bus : x->circuit - y->circuit;
}

static int by_value(const void *a, const void *b)
{
	uint32_t x = *(const uint32_t *)a, y = *(const uint32_t *)b;
	return x < y ? -1 : x > y;
}

int lull_learn(const struct lull_verdict *v, struct lull_learned **out, size_t *n)
{
	struct lull_case c = { 0 }; /* for its memory only */
	learned_list all = { 0 };

	*out = NULL;
	*n = 0;
	for (size_t i = 0; i < v->pulls.n && !c.oom; i++)
		if (tells(&v->pulls.at[i]))
			add(&c, &all, &v->pulls.at[i]);
	for (size_t i = 0; i < all.n && !c.oom; i++)
		for (size_t k = i + 1; k < all.n; k++)
			if (all.at[i].bus == all.at[k].bus && !all.at[i].circuit && !all.at[k].circuit)
				part(&c, &all.at[i], &all.at[k]);
	if (c.oom) {
		lull_learned_free(all.at, all.n);
		return -ENOMEM;
	}
	for (size_t i = 0; i < all.n; i++)
		qsort(all.at[i].ids, all.at[i].id_count, sizeof *all.at[i].ids, by_value);
	if (all.n)
		qsort(all.at, all.n, sizeof *all.at, by_name);
	*out = all.at;
	*n = all.n;
	return 0;
}

void lull_learned_free(struct lull_learned *l, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		free(l[i].ids);
		free(l[i].unclear);
		free(l[i].conflict);
	}
	free(l);
}

/* --- names for the nodes of this night --- */

static bool nameless(const struct lull_node *node)
{
	return node->named_by == LULL_BY_TIMING || node->named_by == LULL_BY_NM;
}

/* Did it run when one of the tests of this name began? What had stopped before says nothing. */
static bool ran(const struct lull_case *c, const struct lull_learned *l, uint32_t id)
{
	int ident = case_ident(c, l->bus, id);
	for (size_t i = 0; i < c->v->pulls.n && ident >= 0; i++) {
		const struct lull_pull *p = &c->v->pulls.at[i];
		if (p->bus == l->bus && !strcasecmp(p->name, l->name) &&
			case_last_in(c, (size_t)ident, p->at - 15 * LULL_SEC, p->at + 30 * LULL_SEC) != LULL_NEVER)
			return true;
	}
	return false;
}

/* All IDs of the node that ran are among what ended, or could not be told. */
static bool within(const struct lull_case *c, const struct lull_node *node, const struct lull_learned *l)
{
	for (size_t i = 0; i < node->id_count; i++)
		if (!holds(l->ids, l->id_count, node->ids[i]) && !holds(l->unclear, l->unclear_count, node->ids[i]) && ran(c, l, node->ids[i]))
			return false;
	return true;
}

static void merge(struct lull_case *c, size_t into, size_t from)
{
	struct lull_node *a = &c->v->nodes.at[into], *b = &c->v->nodes.at[from];
	uint32_t *ids = realloc(a->ids, (a->id_count + b->id_count + 1) * sizeof *ids);
	if (!ids) {
		c->oom = true;
		return;
	}
	a->ids = ids;
	if (b->id_count)
		memcpy(ids + a->id_count, b->ids, b->id_count * sizeof *ids);
	a->id_count += b->id_count;
	qsort(ids, a->id_count, sizeof *ids, by_value);
	if (a->nm_address < 0)
		a->nm_address = b->nm_address;
	free(b->ids);
	memmove(b, b + 1, (c->v->nodes.n - from - 1) * sizeof *b);
	c->v->nodes.n--;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		int *node = &c->v->ids.at[i].node;
		if (*node == (int)from)
			*node = (int)(into > from ? into - 1 : into);
		else if (*node > (int)from)
			(*node)--;
	}
}

/* The node of that name, made if there is none; -1 out of memory. */
static int named_node(struct lull_case *c, const struct lull_learned *l)
{
	struct lull_node node = { .bus = l->bus, .named_by = LULL_BY_LEARNED, .clock_ppm = NAN, .awake_mA = NAN, .awake_mA_error = NAN, .stop_mA = NAN, .stop_mA_error = NAN,
		.profile_node = -1, .nm_address = -1, .source_address = -1 };
	for (size_t i = 0; i < c->v->nodes.n; i++)
		if (c->v->nodes.at[i].bus == l->bus && !strcasecmp(c->v->nodes.at[i].name, l->name))
			return (int)i;
	memcpy(node.name, l->name, sizeof node.name);
	size_t before = c->v->nodes.n;
	CASE_PUSH(c, c->v->nodes, node);
	return c->v->nodes.n > before ? (int)before : -1;
}

/* Timing had put this ID with others that went on: the plug knows better. */
static void move_id(struct lull_case *c, const struct lull_learned *l, int from, uint32_t id)
{
	int into = named_node(c, l), ident = case_ident(c, l->bus, id);
	if (into < 0 || into == from || ident < 0)
		return;
	struct lull_node *a = &c->v->nodes.at[into], *b = &c->v->nodes.at[from];
	uint32_t *ids = realloc(a->ids, (a->id_count + 1) * sizeof *ids);
	if (!ids) {
		c->oom = true;
		return;
	}
	a->ids = ids;
	ids[a->id_count++] = id;
	qsort(ids, a->id_count, sizeof *ids, by_value);
	drop(b->ids, &b->id_count, id);
	c->v->ids.at[ident].node = into;
	if (!b->id_count)
		merge(c, (size_t)into, (size_t)from);
	else if (b->named_by == LULL_BY_TIMING)
		case_name_group(b->name, b->ids[0], b->id_count);
}

static void give_name(struct lull_case *c, const struct lull_learned *l)
{
	size_t told = 0;
	for (size_t i = 0; i < c->v->nodes.n; i++)
		told += c->v->nodes.at[i].bus == l->bus && !strcasecmp(c->v->nodes.at[i].name, l->name);
	/* IDs that end with it and have a name: that one stays, the test tells what it tells */
	for (size_t i = 0; i < l->id_count; i++) {
		int node = case_node_of(c, l->bus, l->ids[i]);
		told += node >= 0 && !nameless(&c->v->nodes.at[node]);
	}
	if (told)
		return;
	for (size_t i = 0; i < l->id_count && !c->oom; i++) {
		int node = case_node_of(c, l->bus, l->ids[i]);
		if (node < 0 || !strcasecmp(c->v->nodes.at[node].name, l->name))
			continue;
		if (!within(c, &c->v->nodes.at[node], l)) {
			move_id(c, l, node, l->ids[i]);
			continue;
		}
		int into = named_node(c, l);
		if (into >= 0)
			merge(c, (size_t)into, (size_t)node);
	}
}

static bool ended_it(const struct lull_case *c, const struct lull_learned *l)
{
	for (size_t i = 0; i < c->v->pulls.n; i++) {
		const struct lull_pull *p = &c->v->pulls.at[i];
		if (p->bus == l->bus && !p->circuit && !strcasecmp(p->name, l->name) && p->result == LULL_PULL_ENDS_IT)
			return true;
	}
	return false;
}

static bool none_in_profile(const struct lull_case *c, const struct lull_learned *l)
{
	for (size_t i = 0; i < l->unclear_count; i++) {
		int node = case_node_of(c, l->bus, l->unclear[i]);
		if (node < 0 || c->v->nodes.at[node].named_by == LULL_BY_PROFILE)
			return false;
	}
	return true;
}

void case_learned_names(struct lull_case *c)
{
	struct lull_learned *all;
	size_t n;
	if (lull_learn(c->v, &all, &n)) {
		c->oom = true;
		return;
	}
	for (size_t i = 0; i < n; i++)
		if (!all[i].circuit && all[i].id_count)
			give_name(c, &all[i]);
		else if (!all[i].circuit && all[i].unclear_count && ended_it(c, &all[i]) && none_in_profile(c, &all[i]))
			(void)named_node(c, &all[i]); /* the person knows what was pulled; which IDs are its own the next test tells */
	lull_learned_free(all, n);
}
