/* SPDX-License-Identifier: GPL-3.0-or-later */
/* learn: a node map from the unplug tests of a recording, as a profile. */
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/output.h>
#include <errno.h>
#include <getopt.h>
#include <lull/text.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

static const char who[] = "lull learn";

struct learn_options {
	struct lull_judged_options judged;
	const char *output;
	bool force, timing;
};

static int help(void)
{
	(void)fputs("Usage: lull learn [OPTION]... NIGHT.lull -o CAR.ini\n"
		    "Make a node map, in the grammar of a profile, from the marks of unplug tests:\n"
		    "'unplugged NODE', 'replugged NODE', 'fuse out NAME', 'fuse back NAME', set with\n"
		    "the key off and the bus awake. IDs that ended with a plug are its node's.\n"
		    "\n"
		    "  -o, --output FILE   write here; '-' is standard output\n"
		    "      --force         replace FILE if it exists\n"
		    "      --timing        also write down which IDs behave as one sender, to be\n"
		    "                      named when known; needs no test\n"
		    "  -p, --profile FILE  this profile instead of the recording's own\n"
		    "  -k, --key-off TIME  seconds from the first frame, or a date such as\n"
		    "                      2026-03-05T22:41:07Z (without Z: local time)\n"
		    "      --help          display this help and exit\n"
		    "\n"
		    "What was unclear is said on standard error and as a comment in the file.\n"
		    "Exit status: 0 all tests were clear, 1 something was unclear or left out,\n"
		    "2 an error or nothing learned, and nothing was written.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct learn_options *o)
{
	enum { HELP = 256, FORCE, TIMING };
	static const struct option longs[] = {{"output", required_argument, NULL, 'o'},
		{"force", no_argument, NULL, FORCE}, {"timing", no_argument, NULL, TIMING}, {"profile", required_argument, NULL, 'p'},
		{"key-off", required_argument, NULL, 'k'}, {"help", no_argument, NULL, HELP},
		{NULL, 0, NULL, 0}};
	int c;

	while ((c = getopt_long(argc, argv, "o:p:k:", longs, NULL)) != -1) {
		switch (c) {
		case 'o': o->output = optarg; break;
		case FORCE: o->force = true; break;
		case TIMING: o->timing = true; break;
		case 'p': o->judged.profile = optarg; break;
		case 'k': o->judged.key_off = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (optind + 1 != argc)
		return optind == argc
			? lull_misuse(who, "no recording was given")
			: lull_misuse(who, "one recording at a time: what is '%s'?", argv[optind + 1]);
	if (!o->output)
		return lull_misuse(who, "where to write was not given (-o CAR.ini)");
	o->judged.recording = argv[optind];
	return -1;
}

/* --- the file --- */

/* A section's name must come back as it was written. */
static bool writable(const char *name)
{
	size_t n = strlen(name);

	if (lull_name_fault(name, n) || name[n - 1] == ' ')
		return false;
	for (; *name; name++)
		if (*name == ']' || *name == '[' || *name == ';' || *name == '#' || (unsigned char)*name < 0x20)
			return false;
	return true;
}

static void put_ids(FILE *out, const char *key, const uint32_t *ids, size_t n)
{
	enum { A_LINE = 10 }; /* the reader's lines end at 190 bytes */
	char text[11];
	size_t i;

	for (i = 0; i < n; i++)
		(void)fprintf(out, "%s%s%s", i % A_LINE ? ", " : i ? "\n" : "", i % A_LINE ? "" : key,
			lull_id_text(ids[i], text));
	if (n)
		(void)fputc('\n', out);
}

/* The circuit whose fuse ended all of these IDs; NULL if none did, or several. */
static const char *fuse_of(const struct lull_learned *all, size_t n, const struct lull_learned *node)
{
	const char *fuse = NULL;
	size_t i, k, j, of;

	for (i = 0; i < n; i++) {
		if (!all[i].circuit || all[i].bus != node->bus || all[i].conflict || !node->id_count)
			continue;
		for (k = 0, of = 0; k < node->id_count; k++)
			for (j = 0; j < all[i].id_count; j++)
				of += all[i].ids[j] == node->ids[k];
		if (of != node->id_count)
			continue;
		if (fuse)
			return NULL;
		fuse = all[i].name;
	}
	return fuse;
}

static bool has_section(const struct lull_learned *l)
{
	return !l->circuit && l->id_count && writable(l->name);
}

/* A node seen on several buses gets one section; the bus is said where there is one only. */
static void put_node(FILE *out, const struct lull_night *night, const struct lull_learned *all, size_t n, size_t at)
{
	const char *fuse = fuse_of(all, n, &all[at]);
	size_t i;
	bool other = false;

	for (i = 0; i < n; i++) {
		if (i == at || strcasecmp(all[i].name, all[at].name) != 0 || !has_section(&all[i]))
			continue;
		if (i < at)
			return; /* written with the first */
		other = true;
	}
	(void)fprintf(out, "\n[node %s]\n", all[at].name);
	if (!other && night->bus_count > 1 && writable(night->bus[all[at].bus].name))
		(void)fprintf(out, "bus = %s\n", night->bus[all[at].bus].name);
	for (i = at; i < n; i++) {
		if (strcasecmp(all[i].name, all[at].name) != 0 || !has_section(&all[i]))
			continue;
		put_ids(out, "ids = ", all[i].ids, all[i].id_count);
		if (all[i].unclear_count)
			(void)fputs("; Too slow to tell whether they ended with it or with the rest of the bus:\n", out);
		put_ids(out, "; ids = ", all[i].unclear, all[i].unclear_count);
		(void)fprintf(out, "; %s\n", all[i].tests == 1 ? "From one test: repeat it to be sure." : "From more than one test.");
	}
	if (fuse && writable(fuse))
		(void)fprintf(out, "fuse = %s\n", fuse);
}

static size_t nodes_in(const struct lull_learned *all, size_t n)
{
	size_t i, nodes = 0;

	for (i = 0; i < n; i++)
		nodes += has_section(&all[i]);
	return nodes;
}

static bool by_timing(const struct lull_node *node)
{
	return node->named_by == LULL_BY_TIMING && node->kin > 0 && node->id_count > 1;
}

/* What timing alone put together. The names are to be changed by who knows better. */
static void put_kin(FILE *out, const struct lull_judged *j)
{
	size_t i;
	char id[11];

	for (i = 0; i < j->verdict.nodes.n; i++) {
		const struct lull_node *node = &j->verdict.nodes.at[i];

		if (!by_timing(node))
			continue;
		(void)fprintf(out, "\n; Not tested: timing says that one node sends these, %.2f sure on invented nights.\n", node->kin);
		(void)fprintf(out, "[node sender of %s]\n", lull_id_text(node->ids[0], id));
		if (j->night.bus_count > 1 && writable(j->night.bus[node->bus].name))
			(void)fprintf(out, "bus = %s\n", j->night.bus[node->bus].name);
		put_ids(out, "ids = ", node->ids, node->id_count);
	}
}

static size_t kin_in(const struct lull_judged *j)
{
	size_t i, n = 0;

	for (i = 0; i < j->verdict.nodes.n; i++)
		n += by_timing(&j->verdict.nodes.at[i]);
	return n;
}

static void put_map(FILE *out, const struct learn_options *o, const struct lull_judged *j, const struct lull_learned *all, size_t n)
{
	size_t i;

	(void)fprintf(out, "; Node map from %s. Add limits and buses as in the other profiles.\n",
		nodes_in(all, n) ? "unplug tests with the key off" : "the timing of one night");
	for (i = 0; i < n; i++)
		if (has_section(&all[i]))
			put_node(out, &j->night, all, n, i);
	for (i = 0; i < n; i++) {
		if (!all[i].circuit || !all[i].id_count)
			continue;
		(void)fprintf(out, "\n; Circuit %s: these IDs end when its fuse is out. It may feed several nodes.\n", all[i].name);
		put_ids(out, "; ids = ", all[i].ids, all[i].id_count);
	}
	for (i = 0; i < n; i++)
		if (all[i].conflict)
			(void)fprintf(out, "\n; Left out: %s.\n", all[i].conflict);
	if (o->timing)
		put_kin(out, j);
}

/* --- what was unclear --- */

static size_t complain(const struct lull_judged *j, const struct lull_learned *all, size_t n)
{
	size_t i, said = 0;

	for (i = 0; i < n; i++) {
		if (all[i].conflict) {
			(void)lull_fail(who, "%s; left out, test again", all[i].conflict);
			said++;
		}
		if (!all[i].circuit && all[i].id_count && !writable(all[i].name)) {
			(void)lull_fail(who, "'%s' cannot be the name of a section; rename the mark", all[i].name);
			said++;
		}
		if (all[i].unclear_count) {
			(void)lull_fail(who, "%s: %zu more %s too slowly to tell whether they belong to it", all[i].name,
				all[i].unclear_count, all[i].unclear_count == 1 ? "ID sends" : "IDs send");
			said++;
		}
	}
	for (i = 0; i < j->verdict.pulls.n; i++) {
		const struct lull_pull *p = &j->verdict.pulls.at[i];
		const char *bus = j->night.bus[p->bus].name;

		switch (p->result) {
		case LULL_PULL_ENDS_IT:
		case LULL_PULL_GOES_ON:
			if (p->id_count)
				continue;
			(void)lull_fail(who, "%s, bus %s: no ID ended with it that could be told", p->name, bus);
			break;
		case LULL_PULL_BREAKS_BUS:
		case LULL_PULL_COUNTS_NOT:
			(void)lull_fail(who, "%s, bus %s: not used: %s", p->name, bus, p->why ? p->why : "nothing was seen");
			break;
		}
		said++;
	}
	return said;
}

static int write_map(const struct learn_options *o, const struct lull_judged *j, const struct lull_learned *all, size_t n)
{
	struct lull_output out = {0};
	int err;

	if (strcmp(o->output, "-") != 0 && !o->force && access(o->output, F_OK) == 0)
		return lull_fail(who, "%s exists; --force replaces it", o->output);
	err = lull_output_open(&out, o->output);
	if (!err && out.stream) {
		put_map(out.stream, o, j, all, n);
		err = lull_output_close(&out, ferror(out.stream) ? -EIO : 0);
	}
	return err ? lull_fail(who, "%s: %s", o->output, strerror(-err)) : LULL_EXIT_OK;
}

int lull_cmd_learn(int argc, char **argv)
{
	struct learn_options o = {.judged = lull_judged_options_default()};
	struct lull_learned *all = NULL;
	struct lull_judged j;
	size_t n = 0, unclear;
	int r = parse(argc, argv, &o);

	if (r >= 0 || !o.output)
		return r >= 0 ? r : LULL_EXIT_ERROR;
	r = lull_judged_load(&j, &o.judged, who);
	if (r)
		return r;
	if (lull_learn(&j.verdict, &all, &n)) {
		r = lull_fail(who, "out of memory");
	} else if (!j.verdict.pulls.n && !o.timing) {
		r = lull_fail(who, "%s has no mark of an unplug test ('unplugged NODE', 'fuse out NAME')", o.judged.recording);
	} else {
		unclear = complain(&j, all, n);
		if (!nodes_in(all, n) && !(o.timing && kin_in(&j)))
			r = lull_fail(who, "nothing shows which IDs belong to which node; nothing was written");
		else
			r = write_map(&o, &j, all, n);
		if (!r && unclear)
			r = LULL_EXIT_SOME;
	}
	lull_learned_free(all, n);
	lull_judged_clear(&j);
	return r;
}
