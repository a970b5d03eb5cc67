/* SPDX-License-Identifier: GPL-3.0-or-later */
/* progress: one line on a terminal that tells how far a long run is. Says nothing elsewhere. */
#include <cmd/progress.h>
#include <stdio.h>
#include <time.h>
#include <unistd.h>

static int64_t now_ns(void)
{
	struct timespec t = {0};

	(void)clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

void lull_progress_begin(struct lull_progress *p, const char *what)
{
	*p = (struct lull_progress){.what = what, .on = isatty(STDERR_FILENO) == 1};
	if (p->on) {
		p->begun_ns = now_ns();
		p->next_ns = p->begun_ns + 500000000; /* short runs stay silent */
	}
}

void lull_progress_step(struct lull_progress *p, uint64_t frames, double share)
{
	char percent[16] = "";
	int64_t now;

	p->count += frames;
	if (!p->on || p->calls++ % 64)
		return;
	now = now_ns();
	if (now < p->next_ns)
		return;
	p->next_ns = now + 200000000;
	if (share >= 0 && share <= 1)
		(void)snprintf(percent, sizeof percent, "%.0f %%, ", share * 100);
	(void)fprintf(stderr, "\r%s: %s%.1f million frames, %.1f million/s\033[K", p->what, percent,
		(double)p->count / 1e6, (double)p->count * 1e3 / (double)(now - p->begun_ns));
	(void)fflush(stderr);
	p->shown = true;
}

void lull_progress_end(struct lull_progress *p)
{
	if (p->shown)
		(void)fputs("\r\033[K", stderr);
	p->shown = false;
}
