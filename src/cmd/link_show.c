/* SPDX-License-Identifier: GPL-3.0-or-later */
/* link_show: a CAN interface, and the search for a bit rate, as lines for a person. */
#include <cmd/link_show.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

const char *lull_rate_text(uint32_t rate, char buf[static 24])
{
	(void)snprintf(buf, 24, "%.6g kbit/s", rate / 1e3);
	return buf;
}

static void rate_item(const struct lull_page *p, const char *label, uint32_t rate, uint32_t sample_permille)
{
	char text[24];

	if (sample_permille)
		lull_page_itemf(p, label, "%s, sample point %.3f", lull_rate_text(rate, text), sample_permille / 1e3);
	else
		lull_page_item(p, label, lull_rate_text(rate, text));
}

static void listening(const struct lull_page *p, const struct lull_link_state *s)
{
	if (s->simulated)
		lull_page_item(p, "Listening", "there is no controller behind this interface that could acknowledge");
	else if (lull_link_listens_only(s))
		lull_page_item(p, "Listening", "listen-only, as the kernel reads it back");
	else
		lull_page_item(p, "Listening", "NOT listen-only: this link acknowledges frames, which changes what the car does");
	if (!s->simulated)
		lull_page_item(p, "Bus errors", lull_link_shows_bus_errors(s)
							? "shown by this adapter"
							: "not shown by this adapter: that none are seen proves nothing");
}

static void traffic(const struct lull_page *p, const struct lull_link_state *s)
{
	lull_page_itemf(p, "Frames", "%" PRIu64 " received, %" PRIu64 " lost, %" PRIu64 " sent", s->frames_received, s->frames_lost,
		s->frames_sent);
	if (s->to_passive || s->to_bus_off)
		lull_page_itemf(p, "", "error-passive %u times, bus-off %u times since the driver was loaded", s->to_passive,
			s->to_bus_off);
}

void lull_link_show(const struct lull_page *p, const struct lull_link_state *s, const struct lull_adapter *a,
	const struct lull_coalescing *c)
{
	char product[80] = "";

	if (s->simulated || !s->up)
		lull_page_itemf(p, "Link", "%s is %s%s", s->name, s->up ? "up" : "down", s->simulated ? ", simulated" : "");
	else
		lull_page_itemf(p, "Link", "%s is up, its controller %s", s->name, lull_controller_name(s->controller));
	if (a->product[0])
		(void)snprintf(product, sizeof product, " (%s)", a->product);
	lull_page_itemf(p, "Adapter", "%s%s%s%s", a->key, a->driver[0] ? ", driver " : "", a->driver, product);
	if (s->bitrate)
		rate_item(p, "Bit rate", s->bitrate, s->sample_permille);
	else if (!s->simulated)
		lull_page_item(p, "Bit rate", "not set");
	if (s->fd_bitrate)
		rate_item(p, "Data phase", s->fd_bitrate, s->fd_sample_permille);
	listening(p, s);
	if (s->restart_ms)
		lull_page_itemf(p, "Restart", "%u ms after bus-off", s->restart_ms);
	if (lull_coalescing_holds(c))
		lull_page_itemf(p, "Coalescing",
			"the driver waits for %u frames before it shows any, without a time limit: those of a slow sender come "
			"minutes late. ethtool -C %s rx-usecs-irq 1000 ends that",
			c->frames_irq > 1 ? c->frames_irq : c->frames, s->name);
	traffic(p, s);
}

static void try_rate(const struct lull_try *t, char *out, size_t size)
{
	char nominal[24], data[24];

	if (t->fd_bitrate)
		(void)snprintf(out, size, "%s / %s", lull_rate_text(t->bitrate, nominal), lull_rate_text(t->fd_bitrate, data));
	else
		(void)snprintf(out, size, "%s", lull_rate_text(t->bitrate, nominal));
}

void lull_try_show(const struct lull_page *p, const struct lull_try *t)
{
	const struct lull_heard *h = &t->heard;
	uint32_t errors = h->errors > h->counted ? h->errors : h->counted;
	char rate[56];

	try_rate(t, rate, sizeof rate);
	if (!t->possible)
		(void)fprintf(p->out, "   %-26s not possible with this controller\n", rate);
	else if (!h->frames && !errors)
		(void)fprintf(p->out, "   %-26s nothing\n", rate);
	else
		(void)fprintf(p->out, "   %-26s %u frame%s of %u ID%s, %u bus error%s\n", rate, h->frames, h->frames == 1 ? "" : "s",
			h->ids, h->ids == 1 ? "" : "s", errors, errors == 1 ? "" : "s");
	(void)fflush(p->out);
}

void lull_search_show(const struct lull_page *p, const char *name, const struct lull_search *s)
{
	bool found = s->answer == LULL_SEARCH_FOUND || s->answer == LULL_SEARCH_LONE_SENDER;
	char rate[56] = "";

	if (s->best < s->n)
		try_rate(&s->tries[s->best], rate, sizeof rate);
	lull_page_itemf(p, "Answer", "%s%s%s", lull_search_answer_name(s->answer), found ? ": " : "", found ? rate : "");
	if (s->why[0])
		lull_page_item(p, "", s->why);
	if (!found)
		return;
	if (s->tries[s->best].fd_bitrate)
		lull_page_itemf(p, "To set it", "lull link %s --bitrate %u --fd-bitrate %u", name, s->tries[s->best].bitrate,
			s->tries[s->best].fd_bitrate);
	else
		lull_page_itemf(p, "To set it", "lull link %s --bitrate %u", name, s->tries[s->best].bitrate);
}
