/* SPDX-License-Identifier: GPL-3.0-or-later */
/* evidence: one row a suspect, with what it rests on and whether it was right: what the weights are fitted on. */
#include "nights.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>

static int file = -1;

double share_of_role(const struct lull_truth *truth, const struct lull_finding *f, size_t k)
{
	double all = 0, own = f->suspects.at[k].confidence;
	unsigned n = 0;
	if (!is_guilty(&f->suspects.at[k], truth, f->code))
		return 0;
	for (size_t i = 0; i < f->suspects.n; i++) {
		if (!is_guilty(&f->suspects.at[i], truth, f->code))
			continue;
		all += f->suspects.at[i].confidence;
		n++;
	}
	return all > 0 ? own / all : 1.0 / n;
}

int evidence_open(const char *path)
{
	file = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_APPEND | O_CLOEXEC, 0666);
	if (file < 0)
		return -errno;
	return dprintf(file, "scenario,seed,map,code,role,clue,doubts,several,rank,named,kin,confidence,right\n") < 0 ? -EIO : 0;
}

/* Jobs share the file: a row is one write. */
void evidence_write(const struct lull_truth *truth, const struct lull_verdict *v, bool named)
{
	for (size_t i = 0; file >= 0 && i < v->findings.n; i++) {
		const struct lull_finding *f = &v->findings.at[i];
		for (size_t k = 0; k < f->suspects.n; k++) {
			const struct lull_suspect *s = &f->suspects.at[k];
			size_t several = 0;
			for (size_t other = 0; other < f->suspects.n; other++)
				several += f->suspects.at[other].clue == s->clue;
			if (s->role != LULL_KEEPER && s->role != LULL_WAKER)
				continue;
			if (dprintf(file, "%s,%llu,%d,%s,%s,%s,%u,%zu,%zu,%d,%.4f,%.4f,%.4f\n", truth->scenario, (unsigned long long)truth->seed, named,
				    lull_code_name(f->code), lull_role_name(s->role), lull_clue_name(s->clue), s->doubts, several, k,
				    f->named == (int)k, s->kin, s->confidence, share_of_role(truth, f, k)) < 0)
				perror("evidence");
		}
	}
}
