/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile: checks the INI file of a car, and says what it holds. */
#include <cmd/cmd.h>
#include <getopt.h>
#include <math.h>
#include <report/page.h>
#include <source/profile.h>
#include <string.h>
#include <unistd.h>

static const char who[] = "lull profile";

static int help(void)
{
	(void)fputs("Usage: lull profile check FILE...\n"
		    "Read profiles as import and report would, and say what each holds.\n"
		    "\n"
		    "      --help  display this help and exit\n"
		    "\n"
		    "Exit status: 0 all are fine, 2 one is not; each error with file and line.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static void limits(const struct lull_page *p, const struct lull_profile *f)
{
	char sleep[48] = "sleep not given", draw[48] = "draw not given";

	if (isfinite(f->limit_sleep_s))
		(void)snprintf(sleep, sizeof sleep, "asleep within %g s", f->limit_sleep_s);
	if (isfinite(f->limit_draw_mA))
		(void)snprintf(draw, sizeof draw, "at most %g mA", f->limit_draw_mA);
	lull_page_itemf(p, "Limits", "%s, %s%s", sleep, draw, f->limits_from_maker ? " (the maker's)" : "");
}

static void car(const struct lull_page *p, const struct lull_profile *f)
{
	if (f->vehicle[0])
		lull_page_item(p, "Vehicle", f->vehicle);
	if (f->model[0])
		lull_page_item(p, "Model", f->model);
	limits(p, f);
	if (isfinite(f->capacity_Ah))
		lull_page_itemf(p, "Battery", "%g Ah, %s", f->capacity_Ah, lull_battery_kind_name(f->battery));
	else if (isfinite(f->reserve_min))
		lull_page_itemf(p, "Battery", "reserve of %g min, %s", f->reserve_min, lull_battery_kind_name(f->battery));
	else
		lull_page_item(p, "Battery", "capacity not given");
	if (isfinite(f->clamp_mV_per_A))
		lull_page_itemf(p, "Clamp", "%g mV/A", f->clamp_mV_per_A);
	else
		lull_page_item(p, "Clamp", "scale not given");
	for (size_t i = 0; i < f->bus_count; i++)
		lull_page_itemf(p, i ? "" : "Buses", "%s, %g kbit/s", f->bus[i].name, (double)f->bus[i].bitrate / 1e3);
}

static void nodes(const struct lull_page *p, const struct lull_profile *f)
{
	size_t never = 0, gateways = 0, ids = 0, addresses = 0;

	for (size_t i = 0; i < f->node_count; i++) {
		const struct lull_profile_node *n = &f->nodes[i];

		never += n->never_unplug;
		gateways += n->gateway;
		ids += n->id_count;
		addresses += n->nm_address >= 0 || n->source_address >= 0;
	}
	if (!f->node_count) {
		lull_page_item(p, "Nodes", "none");
		return;
	}
	lull_page_itemf(p, "Nodes", "%zu: %zu %s of IDs, %zu with an address, %zu %s, %zu never to be unplugged", f->node_count, ids,
		ids == 1 ? "entry" : "entries", addresses, gateways, gateways == 1 ? "gateway" : "gateways", never);
	for (size_t i = 0; i < f->node_count; i++)
		lull_page_itemf(p, "", "%s%s%s%s", f->nodes[i].name, f->nodes[i].bus[0] ? ", bus " : "", f->nodes[i].bus,
			f->nodes[i].never_unplug ? ", never unplug" : "");
}

static const char *layout(enum lull_nm_kind kind)
{
	switch (kind) {
	case LULL_NM_NONE: return "none";
	case LULL_NM_AUTOSAR: return "AUTOSAR CanNm";
	case LULL_NM_OSEK: return "OSEK/VDX, direct";
	}
	return "";
}

static void management(const struct lull_page *p, const struct lull_profile *f)
{
	for (size_t i = 0; i < f->nm_count; i++)
		lull_page_itemf(p, i ? "" : "Management", "%s on %s", layout(f->nm[i].kind), f->nm[i].bus[0] ? f->nm[i].bus : "any bus");
	if (!f->nm_count)
		lull_page_item(p, "Management", "no layout; a family is looked for by its structure");
}

static void problem(void *ctx, unsigned line, const char *message)
{
	(void)ctx;
	(void)line;
	(void)lull_fail(who, "%s", message);
}

static int check(const char *path)
{
	const struct lull_report_style style = {.colour = lull_colour(STDOUT_FILENO), .width = lull_columns(STDOUT_FILENO)};
	const struct lull_page p = lull_page_new(stdout, &style);
	struct lull_profile f;
	char err[1024] = "", lead[512];

	int found = lull_profile_check(path, problem, NULL);

	if (found < 0)
		return lull_fail(who, "%s: out of memory", path);
	if (found > 0)
		return LULL_EXIT_ERROR;
	if (lull_profile_read(path, &f, err, sizeof err))
		return lull_fail(who, "%s", err);
	(void)snprintf(lead, sizeof lead, "%s: fine", path);
	lull_page_para(&p, 0, "", LULL_INK_GOOD, lead);
	car(&p, &f);
	nodes(&p, &f);
	management(&p, &f);
	lull_profile_clear(&f);
	return 0;
}

int lull_cmd_profile(int argc, char **argv)
{
	enum { HELP = 256 };
	static const struct option longs[] = {{"help", no_argument, NULL, HELP}, {NULL, 0, NULL, 0}};
	int c, status = LULL_EXIT_OK;

	while ((c = getopt_long(argc, argv, "", longs, NULL)) != -1) {
		if (c == HELP)
			return help();
		return lull_try_help(who);
	}
	if (optind == argc)
		return lull_misuse(who, "what to do with a profile? It is 'check FILE'");
	if (strcmp(argv[optind], "check") != 0)
		return lull_misuse(who, "there is no '%s'; it is 'check FILE'", argv[optind]);
	if (++optind == argc)
		return lull_misuse(who, "no profile was given");
	for (; optind < argc; optind++) {
		if (check(argv[optind]))
			status = LULL_EXIT_ERROR;
	}
	return lull_printed(who, status);
}
