/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_verdict: a night and its verdict put together by hand, for tests of the report forms. */
#ifndef LULL_TESTS_MADE_VERDICT_H
#define LULL_TESTS_MADE_VERDICT_H

#include <lull/verdict.h>

/* Two buses, 8 h, key-off at 74 s by a mark: comfort held awake late and woken 40 times, engine a stub. Every text
 * is owned as lull_judge() would have it. */
void made_verdict(struct lull_night *, struct lull_verdict *);
/* The same with names that try to act on a terminal, and with bytes that are no UTF-8. */
void made_hostile(struct lull_night *, struct lull_verdict *);
/* Nothing known: no bus, no findings but one, every number unknown. */
void made_empty(struct lull_night *, struct lull_verdict *);
void made_free(struct lull_night *, struct lull_verdict *);

#endif
