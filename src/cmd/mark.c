/* SPDX-License-Identifier: GPL-3.0-or-later */
/* mark: tells the recorder what somebody did just now. */
#include <cmd/ask.h>
#include <cmd/cmd.h>
#include <getopt.h>
#include <inttypes.h>
#include <source/marks.h>
#include <stdio.h>
#include <string.h>

static const char who[] = "lull mark";

static int help(void)
{
	(void)puts("Usage: lull mark [OPTION]... TEXT...\n"
		   "Tell the recorder what you did just now. Marks that it understands, in any case:\n"
		   "  key on, key off, door, morning, clamp zero, test load N mA,\n"
		   "  unplugged NODE, replugged NODE, fuse out NAME, fuse back NAME\n"
		   "Any other text is kept and shown. A mark is on the disk when the command ends.\n"
		   "\n"
		   "  -a, --ago TIME     it was so long ago: 90 (seconds), 5m, 1.5h\n"
		   "  -n, --new          end this recording and begin the next one instead; no TEXT\n"
		   "  -s, --socket FILE  the recorder's control socket\n"
		   "  -h, --help         display this help and exit\n"
		   "\n"
		   "Exit status: 0 noted, 2 not.");
	return lull_printed(who, LULL_EXIT_OK);
}

static int set_ago(const char *text, char *request, size_t size)
{
	static const struct lull_duration_rule day = {LULL_IN_S, 0, 24 * 60 * LULL_MIN};
	double ms;
	const int r = lull_duration_option(who, "--ago", text, &day, LULL_MS, &ms);

	if (!r)
		(void)snprintf(request, size, "mark -%.0fms", ms);
	return r;
}

static int join(char *out, size_t size, char **words)
{
	size_t n = strlen(out);

	for (; *words; words++) {
		const int more = snprintf(out + n, size - n, " %s", *words);

		if (more < 0 || (size_t)more >= size - n)
			return lull_misuse(who, "the mark is too long");
		n += (size_t)more;
	}
	return 0;
}

static int tell(const char *socket, const char *request)
{
	json_t *answer;
	int r = lull_ask(who, lull_ask_path(socket), request, &answer);

	if (r)
		return r;
	const json_t *disk = json_object_get(answer, "disk");
	const char *trouble = json_string_value(json_object_get(disk, "trouble"));
	const char *recording = json_string_value(json_object_get(answer, "recording"));
	struct lull_mark mark = {0};

	if (trouble)
		r = lull_fail(who, "noted, but it is not on the disk yet: %s", trouble);
	else
		(void)printf("%s\n", recording ? recording : "");
	if (!strncmp(request, "mark ", 5)) {
		const char *text = request + 5;

		if (*text == '-')
			text += strcspn(text, " ") + 1;
		lull_mark_parse(text, &mark);
		if (mark.kind == LULL_MARK_OTHER)
			(void)printf("kept as text: it is none of the marks that change the judgement (lull mark --help)\n");
	}
	json_decref(answer);
	return r;
}

int lull_cmd_mark(int argc, char **argv)
{
	static const struct option options[] = {{"ago", required_argument, NULL, 'a'}, {"new", no_argument, NULL, 'n'},
		{"socket", required_argument, NULL, 's'}, {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
	const char *socket = NULL;
	char request[480] = "mark";
	bool anew = false;
	int c;

	while ((c = getopt_long(argc, argv, "+a:ns:h", options, NULL)) != -1) {
		switch (c) {
		case 'a':
			if (set_ago(optarg, request, sizeof request))
				return LULL_EXIT_ERROR;
			break;
		case 'n': anew = true; break;
		case 's': socket = optarg; break;
		case 'h': return help();
		default: return lull_try_help(who);
		}
	}
	if (anew)
		return optind < argc ? lull_misuse(who, "--new takes no text") : tell(socket, "new");
	if (optind == argc)
		return lull_misuse(who, "what is to be marked?");
	const int r = join(request, sizeof request, argv + optind);

	return r ? r : tell(socket, request);
}
