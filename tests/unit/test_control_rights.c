/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_control_rights: who may ask for what over the control socket, by the kernel's word on who asks. Run as root: processes of other
 * users ask. */
#include <daemon/control.h>

#include <grp.h>
#include <pwd.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#define MOST 512

struct asker {
	uid_t uid;
	gid_t gid, also; /* its own group, and one more */
};

struct fixture {
	char folder[32], path[64];
	struct lull_control *control;
	sd_event *event;
	gid_t group;
	unsigned marks, states, recordings; /* asked for and let through */
};

static char *follow(void *ctx, const struct lull_command *command)
{
	struct fixture *f = ctx;

	switch (command->verb) {
	case LULL_VERB_MARK: f->marks++; break;
	case LULL_VERB_STATUS: f->states++; break;
	case LULL_VERB_NEW: f->recordings++; break;
	}
	return strdup("{\"ok\":true}");
}

static int set_up(void **state)
{
	static struct fixture f;
	const struct group *group = getgrnam("daemon"); // cppcheck-suppress getgrnamCalled ; one thread
	char err[256];

	*state = &f;
	f = (struct fixture){.folder = "/tmp/test_control.XXXXXX"};
	if (geteuid() != 0 || !group || !getpwnam("nobody")) // cppcheck-suppress getpwnamCalled ; one thread
		return 0;
	f.group = group->gr_gid;
	if (!mkdtemp(f.folder) || chmod(f.folder, 0755))
		return -1;
	(void)snprintf(f.path, sizeof f.path, "%s/control", f.folder);
	if (sd_event_new(&f.event) < 0 || lull_control_open(&f.control, f.path, "daemon", err, sizeof err))
		return -1;
	return lull_control_attach(f.control, f.event, follow, &f);
}

static int tear_down(void **state)
{
	struct fixture *f = *state;

	lull_control_close(f->control);
	(void)sd_event_unref(f->event);
	if (f->control)
		(void)rmdir(f->folder);
	return 0;
}

/* In a process of its own: becomes that user, asks, and hands on what it got. */
static void ask_as(const struct fixture *f, const struct asker *who, const char *request, int out)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	char answer[MOST];
	const int fd = socket(AF_UNIX, SOCK_SEQPACKET, 0);
	ssize_t n = -1;

	memcpy(address.sun_path, f->path, sizeof f->path);
	if (setgroups(1, &who->also) || setresgid(who->gid, who->gid, who->gid) || setresuid(who->uid, who->uid, who->uid))
		_exit(1);
	if (connect(fd, (const struct sockaddr *)&address, sizeof address)) {
		n = snprintf(answer, sizeof answer, "no way in");
	} else {
		if (send(fd, request, strlen(request), MSG_NOSIGNAL) > 0)
			n = recv(fd, answer, sizeof answer, 0);
		if (n <= 0)
			n = snprintf(answer, sizeof answer, "hung up");
	}
	_exit(write(out, answer, (size_t)n) == n ? 0 : 1);
}

static const char *asked(struct fixture *f, const struct asker *who, const char *request)
{
	static char answer[MOST];
	int pair[2], status = 0;
	ssize_t n;

	assert_int_equal(pipe(pair), 0);
	const pid_t pid = fork();

	assert_true(pid >= 0);
	if (!pid)
		ask_as(f, who, request, pair[1]);
	assert_int_equal(close(pair[1]), 0);
	while (!waitpid(pid, &status, WNOHANG))
		assert_true(sd_event_run(f->event, 10000) >= 0);
	assert_int_equal(status, 0);
	n = read(pair[0], answer, sizeof answer - 1);
	assert_true(n > 0);
	answer[n] = 0;
	assert_int_equal(close(pair[0]), 0);
	return answer;
}

static void who_may_what(void **state)
{
	struct fixture *f = *state;
	const struct passwd *nobody = getpwnam("nobody"); // cppcheck-suppress getpwnamCalled ; one thread

	if (!f->control) {
		print_message("not root, or no users here\n");
		skip();
	}
	const struct asker root = {0, 0, 0}, member = {12345, 12345, f->group}, primary = {12346, f->group, 12346}, stranger = {12347, 12347, 12347},
			   page = {nobody->pw_uid, nobody->pw_gid, f->group}, page_first = {nobody->pw_uid, f->group, nobody->pw_gid};

	lull_control_viewer(f->control, "nobody");
	assert_string_equal(asked(f, &root, "new"), "{\"ok\":true}");
	assert_string_equal(asked(f, &member, "new"), "{\"ok\":true}");
	assert_string_equal(asked(f, &primary, "new"), "{\"ok\":true}");
	assert_int_equal(f->recordings, 3);
	assert_string_equal(asked(f, &stranger, "status"), "no way in");
	/* The page's user, by whichever group it came in. */
	assert_string_equal(asked(f, &page, "mark door"), "{\"ok\":true}");
	assert_string_equal(asked(f, &page, "status"), "{\"ok\":true}");
	assert_non_null(strstr(asked(f, &page, "new"), "may set marks and ask for the state only"));
	assert_non_null(strstr(asked(f, &page_first, "new"), "may set marks"));
	assert_string_equal(asked(f, &page_first, "mark door"), "{\"ok\":true}");
	assert_non_null(strstr(asked(f, &page, "mark "), "the mark is empty"));
	assert_int_equal(f->recordings, 3);
	assert_int_equal(f->marks, 2);
	assert_int_equal(f->states, 1);
	/* One who slips through the socket's mode is told nothing. */
	assert_int_equal(chmod(f->path, 0666), 0);
	assert_string_equal(asked(f, &stranger, "status"), "hung up");
	assert_int_equal(f->states, 1);
	/* Without such a user the group decides. */
	lull_control_viewer(f->control, "no-such-user");
	assert_string_equal(asked(f, &page, "new"), "{\"ok\":true}");
	assert_int_equal(f->recordings, 4);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test_setup_teardown(who_may_what, set_up, tear_down)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
