/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words: what the enums and figures of a verdict are called where a person reads them. One place for every form, so that
 * the text, the page and the printed report say the same. Texts are static unless a buffer is given. */
#ifndef LULL_REPORT_WORDS_H
#define LULL_REPORT_WORDS_H

#include <report/when.h>

/* A finding as one plain sentence. */
const char *lull_words_headline(const struct lull_verdict *, const struct lull_finding *);
/* Who it comes down to, in one sentence; "" if there is nothing to say. Names are as they were given: not cleaned. */
void lull_words_who(const struct lull_finding *, char *buf, size_t size);
/* The suspect that the finding names, or NULL: nobody is accused. */
const struct lull_suspect *lull_words_accused(const struct lull_finding *);
/* 0.987 -> 99, 0.996 -> 99: what may be wrong is not called certain; 1 -> 100; no number -> 0. */
unsigned lull_words_percent(double confidence);

const char *lull_words_deed(enum lull_role);
const char *lull_words_by(enum lull_by);
const char *lull_words_limit(enum lull_limit_source);
const char *lull_words_proof(enum lull_proof);
const char *lull_words_kind(enum lull_spell_kind);
const char *lull_words_blind(enum lull_coverage_why);
const char *lull_words_dead(enum lull_dead_why);

/* A group of wakes in one line: how many, how far apart, how long, by whom, what came first (text_wakes.c). */
void lull_words_wakes(const struct lull_when *, const struct lull_verdict *, const struct lull_wake_group *, char *line, size_t size);

/* "1,234,567" */
const char *lull_words_grouped(uint64_t, char buf[static LULL_WHEN]);
/* "4.2 mA", "417 mA", "9.57 A" */
/* "NAME (MODEL)", or what of it is known; false: nothing. */
bool lull_words_vehicle(const struct lull_night_identity *, char *buf, size_t size);
const char *lull_words_amps(double mA, char buf[static LULL_WHEN]);
/* "8.2 mAh", "362 mAh", "2.65 Ah" */
const char *lull_words_charge(double mAh, char buf[static LULL_WHEN]);

/* What can hurt somebody on the way to the answer. */
const char *const *lull_words_cautions(size_t *n);

#endif
