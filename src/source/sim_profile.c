/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_profile: the INI text of the invented car, as its owner could have written it down. Pure. */
#include <source/sim_world.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LINE_MAX_BYTES = 150 };

struct text {
	char *at;
	size_t n, room;
	bool failed;
};

static void LULL_PRINTF(2, 3) say(struct text *t, const char *format, ...)
{
	char *more = NULL;
	va_list args;
	int n;

	va_start(args, format);
	n = vasprintf(&more, format, args);
	va_end(args);
	if (n < 0) {
		t->failed = true;
		return;
	}
	if (t->n + (size_t)n >= t->room) {
		size_t room = 2 * (t->n + (size_t)n) + 1024;
		char *at = realloc(t->at, room);

		if (!at) {
			free(more);
			t->failed = true;
			return;
		}
		t->at = at;
		t->room = room;
	}
	memcpy(t->at + t->n, more, (size_t)n + 1);
	t->n += (size_t)n;
	free(more);
}

static double ms(int64_t ns)
{
	return 1e-6 * (double)ns;
}

static const char *position(int byte)
{
	return byte < 0 ? "off" : byte == 0 ? "0" : "1";
}

static void say_management(struct text *t, const struct sim_bus *b)
{
	if (b->nm != SIM_NM_AUTOSAR && b->nm != SIM_NM_OSEK)
		return;
	say(t, "\n[nm %s-nm]\nkind = %s\nbus = %s\nids = 0x%03X/0x%03X\n", b->name,
		b->nm == SIM_NM_OSEK ? "osek" : "autosar", b->name, b->nm_base, b->nm_mask);
	if (b->nm == SIM_NM_OSEK)
		say(t, "alive = 0x%02X\nring = 0x%02X\n", b->op_alive, b->op_ring);
	else
		say(t, "source_byte = %s\ncontrol_byte = %s\nrepeat_message_ms = %.0f\n", position(b->nm_source_byte),
			position(b->nm_control_byte), ms(b->nm_repeat));
	say(t, "cycle_ms = %.0f\ntimeout_ms = %.0f\nwait_sleep_ms = %.0f\n", ms(b->nm_cycle), ms(b->nm_timeout),
		ms(b->nm_wait));
}

static void say_ids(struct text *t, const struct sim_world *w, const struct sim_node *n)
{
	size_t line = 0;

	for (unsigned i = n->first_msg; i < n->first_msg + n->msg_count; i++) {
		uint32_t id = w->msg[i].id;
		char one[16];

		if (id & LULL_ID_EXTENDED)
			snprintf(one, sizeof one, "0x%08X", id & LULL_ID_BITS);
		else
			snprintf(one, sizeof one, "0x%03X", id);
		if (line && line + strlen(one) > LINE_MAX_BYTES) {
			say(t, "\n");
			line = 0;
		}
		say(t, "%s%s", line ? ", " : "ids = ", one);
		line += strlen(one) + 2;
	}
	if (line)
		say(t, "\n");
}

static void say_nodes(struct text *t, const struct sim_world *w)
{
	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *n = &w->node[i];
		const struct sim_bus *b = &w->bus[n->bus];

		if (n->tester) /* nobody knows of it: it is the answer */
			continue;
		say(t, "\n[node %s]\nbus = %s\n", n->name, b->name);
		say_ids(t, w, n);
		if (n->gateway)
			say(t, "gateway = yes\n");
		if (n->nm)
			say(t, "nm_address = 0x%02X\n", n->address);
		if (b->extended)
			say(t, "source_address = 0x%02X\n", n->address);
	}
}

char *sim_profile_text(struct sim_world *w)
{
	struct text t = { .at = NULL };
	bool maker = sim_chance(w->text, 0.5), management = sim_chance(w->text, 0.5);

	say(&t, "; an invented car\n[limits]\ndraw_mA = %.0f\nsleep_s = %.0f\n", w->limit_mA, w->limit_s);
	if (maker)
		say(&t, "source = maker\n");
	for (unsigned i = 0; i < w->buses; i++)
		say(&t, "\n[bus %s]\nbitrate = %u\n", w->bus[i].name, w->bus[i].bitrate);
	for (unsigned i = 0; i < w->buses; i++) {
		if (!w->undeclared && (w->options->with_profile_nodes || management))
			say_management(&t, &w->bus[i]);
	}
	if (w->options->with_profile_nodes)
		say_nodes(&t, w);
	if (!t.failed)
		return t.at;
	free(t.at);
	return NULL;
}
