/* SPDX-License-Identifier: GPL-3.0-or-later */
/* known: who begins the wakes whose cause is known. What waker.c and case_wake_known() stand on. Pure. */
#ifndef LULL_CORE_KNOWN_H
#define LULL_CORE_KNOWN_H

#include "core/case.h"

struct reference {
	size_t known; /* wakes with a known cause on this bus */
	size_t first_there; /* in how many the node is first */
	size_t maybe_there; /* or may be, for all that is known of the first ID's sender */
	size_t last_there, spells; /* in how many of all closed spells the node is last */
};

struct reference known_refer(struct lull_case *, unsigned bus, int node);

/* The node that alone sets active wake-up in the first seconds of a spell; -1 none, -2 several. family may be NULL. */
int known_active_bit(const struct lull_case *, const struct nm_family *, const struct lull_spell *);

/* Counts the spell for every node that begins with its first frame, or so soon after it that it was up already. count, seen: room for
 * as many nodes; turn: another number for each spell, from 1 on. */
void known_count_beginners(const struct lull_case *, const struct lull_spell *, size_t *count, size_t *seen, size_t turn);

/* In a wake by a node the others follow after their whole boot time; in one by a wake line all boot together, and follow the
 * first by the differences only: they come sooner by what the first itself takes to boot. The known wakes show both
 * times. 0: the others follow as they do in known wakes (it woke them); 1: sooner by its own boot time (woken with
 * them); NAN: cannot be told. night, known: spells that it begins, and known ones that it does not. */
double known_woken_together(struct lull_case *, unsigned bus, int first, const size_t *night, size_t nights, const size_t *known, size_t knowns);

#endif
