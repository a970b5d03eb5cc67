/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_control: the control socket: who may ask, what is answered, and who is let go. */
#include <daemon/control.h>
#include <daemon/log.h>

#include "stderr_rig.h"
#include <errno.h>
#include <grp.h>
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

#define CLIENTS 16 /* that are served at once */

static char folder[64], path[100], err[300];
static char group[64]; /* this process's own */
static struct lull_control *control;
static sd_event *event;

/* --- the recorder --- */

static struct lull_command got;
static unsigned handled;
static size_t answer_bytes; /* of each answer; 0: none is given */

static char *handler(void *ctx, const struct lull_command *command)
{
	assert_ptr_equal(ctx, &got);
	got = *command;
	handled++;
	if (!answer_bytes)
		return NULL;
	char *answer = malloc(answer_bytes + 1);

	assert_non_null(answer);
	memset(answer, 'a', answer_bytes);
	answer[answer_bytes] = '\0';
	return answer;
}

/* All that is ready. */
static void run(void)
{
	while (sd_event_run(event, 0) > 0)
		;
}

static struct lull_control *control_at(const char *where, const char *of_group)
{
	struct lull_control *c;

	if (lull_control_open(&c, where, of_group, err, sizeof err))
		fail_msg("%s", err);
	return c;
}

static int set_up(void **state)
{
	const struct group *own = getgrgid(getegid()); // cppcheck-suppress getgrgidCalled ; one thread

	(void)state;
	assert_non_null(own);
	(void)snprintf(group, sizeof group, "%s", own->gr_name);
	(void)snprintf(folder, sizeof folder, "/tmp/lull-test-control-XXXXXX");
	assert_non_null(mkdtemp(folder));
	(void)snprintf(path, sizeof path, "%s/control", folder);
	control = NULL;
	handled = 0;
	answer_bytes = 4;
	stderr_take();
	lull_log_plain(true);
	return sd_event_new(&event) < 0 ? -1 : 0;
}

static int tear_down(void **state)
{
	(void)state;
	lull_control_close(control);
	(void)sd_event_unref(event);
	stderr_give_back();
	(void)unlink(path);
	return rmdir(folder);
}

static void serve(void)
{
	control = control_at(path, group);
	assert_int_equal(lull_control_attach(control, event, handler, &got), 0);
}

/* --- who asks --- */

static int caller(void)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	const int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);

	(void)snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
	assert_true(fd >= 0);
	assert_int_equal(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
	run();
	return fd;
}

static char reply[200000];

/* -1: nothing has come; 0: it was let go. */
static ssize_t fetch(int fd)
{
	const ssize_t n = recv(fd, reply, sizeof reply - 1, 0);

	reply[n > 0 ? n : 0] = '\0';
	return n;
}

static const char *ask(int fd, const char *text)
{
	assert_int_equal(send(fd, text, strlen(text), MSG_NOSIGNAL), strlen(text));
	run();
	assert_true(fetch(fd) > 0);
	return reply;
}

/* --- the socket --- */

static void it_is_made_for_its_group(void **state)
{
	struct stat st;

	(void)state;
	serve();
	assert_int_equal(stat(path, &st), 0);
	assert_true(S_ISSOCK(st.st_mode));
	assert_int_equal(st.st_mode & 0777, 0660);
	assert_int_equal(st.st_gid, getegid());
	lull_control_close(control);
	control = NULL;
	assert_int_equal(access(path, F_OK), -1);
	lull_control_close(NULL);
}

static int refused(const char *where, const char *of_group, const char *sentence)
{
	struct lull_control *c = (void *)&got;
	const int r = lull_control_open(&c, where, of_group, err, sizeof err);

	assert_null(c);
	if (!strstr(err, sentence))
		fail_msg("'%s' instead of '%s'", err, sentence);
	return r;
}

static void sockets_that_cannot_be_made(void **state)
{
	char missing[200];
	FILE *f;

	(void)state;
	assert_int_equal(
		refused(path, "no-such-group", "there is no group 'no-such-group' for the control socket"),
		-EINVAL);
	(void)snprintf(missing, sizeof missing, "%s/missing/control", folder);
	assert_int_equal(
		refused(missing, group, "the control socket cannot be made: No such file or directory"),
		-ENOENT);
	/* A file of another kind is not ours to remove. */
	f = fopen(path, "w");
	assert_non_null(f);
	assert_int_equal(fclose(f), 0);
	assert_int_equal(refused(path, group, "File exists"), -EEXIST);
	assert_int_equal(access(path, F_OK), 0);
}

static void one_that_is_left_over_makes_way(void **state)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	const int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);

	(void)state;
	(void)snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
	assert_int_equal(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
	(void)close(fd);
	assert_int_equal(access(path, F_OK), 0);
	serve();
	const int one = caller();

	assert_string_equal(ask(one, "status"), "aaaa");
	(void)close(one);
}

static void one_that_is_answered_stays(void **state)
{
	(void)state;
	serve();
	assert_int_equal(refused(path, group, "another lulld answers there"), -EADDRINUSE);
	run();
	const int one = caller();

	assert_string_equal(ask(one, "status"), "aaaa");
	(void)close(one);
}

/* --- questions --- */

static void commands_reach_the_recorder(void **state)
{
	(void)state;
	serve();
	const int one = caller(), two = caller();

	assert_string_equal(ask(one, "mark -90 door left\n"), "aaaa");
	assert_int_equal(got.verb, LULL_VERB_MARK);
	assert_string_equal(got.text, "door left");
	assert_int_equal(got.ago, 90 * LULL_SEC);
	assert_string_equal(ask(two, "status fresh"), "aaaa");
	assert_int_equal(got.verb, LULL_VERB_STATUS);
	assert_true(got.fresh);
	/* Each gets its own answers, and may ask again. */
	assert_int_equal(fetch(one), -1);
	assert_string_equal(ask(one, "new"), "aaaa");
	assert_int_equal(handled, 3);
	(void)close(one);
	(void)close(two);
	run();
}

static void what_makes_no_sense_is_answered_and_goes_no_further(void **state)
{
	char longest[LULL_COMMAND_MOST + 100];

	(void)state;
	serve();
	const int one = caller();

	assert_string_equal(
		ask(one, "dance"), "{\"ok\":false,\"error\":\"there are: mark TEXT, status, new\"}");
	memset(longest, 'x', sizeof longest - 1);
	longest[sizeof longest - 1] = '\0';
	memcpy(longest, "mark ", 5);
	assert_non_null(strstr(ask(one, longest), "\"ok\":false"));
	assert_int_equal(handled, 0);
	/* It may still ask what makes sense. */
	assert_string_equal(ask(one, "status"), "aaaa");
	(void)close(one);
}

static void without_an_answer_it_is_let_go(void **state)
{
	(void)state;
	serve();
	const int one = caller();

	answer_bytes = 0;
	assert_int_equal(send(one, "status", 6, 0), 6);
	run();
	assert_int_equal(fetch(one), 0);
	(void)close(one);
}

/* Whoever asks and asks and fetches nothing does not hold the recorder up. */
static void who_fetches_nothing_is_let_go(void **state)
{
	unsigned sent = 0;
	ssize_t n;

	(void)state;
	serve();
	const int one = caller(), two = caller();

	answer_bytes = 100000;
	while (sent < 1000 && send(one, "status", 6, MSG_NOSIGNAL) == 6) {
		sent++;
		run();
	}
	assert_true(sent < 1000);
	while ((n = fetch(one)) > 0)
		assert_int_equal(n, 100000);
	assert_int_equal(n, 0);
	answer_bytes = 4;
	assert_string_equal(ask(two, "status"), "aaaa");
	(void)close(one);
	(void)close(two);
}

static void the_oldest_makes_way(void **state)
{
	int fd[CLIENTS + 2];

	(void)state;
	serve();
	for (int i = 0; i < CLIENTS; i++)
		fd[i] = caller();
	/* The place of one that left is free. */
	(void)close(fd[5]);
	run();
	fd[5] = caller();
	assert_string_equal(ask(fd[0], "status"), "aaaa");
	fd[CLIENTS] = caller();
	assert_int_equal(fetch(fd[0]), 0);
	fd[CLIENTS + 1] = caller();
	assert_int_equal(fetch(fd[1]), 0);
	for (int i = 2; i < CLIENTS + 2; i++)
		assert_string_equal(ask(fd[i], "status"), "aaaa");
	for (int i = 0; i < CLIENTS + 2; i++)
		(void)close(fd[i]);
	run();
}

/* --- strangers --- */

/* A process of another user asks: 0 it was answered, 1 it was let go, else it came to nothing. */
static int ask_as(uid_t uid, gid_t gid, gid_t more)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	char bytes[64];

	(void)snprintf(address.sun_path, sizeof address.sun_path, "%s", path);
	if (setgroups(more ? 1 : 0, &more) || setgid(gid) || setuid(uid))
		return 2;
	const int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);

	if (fd < 0 || connect(fd, (struct sockaddr *)&address, sizeof address))
		return 3;
	(void)!send(fd, "status", 6, MSG_NOSIGNAL);
	return recv(fd, bytes, sizeof bytes, 0) > 0 ? 0 : 1;
}

static int answer_to(uid_t uid, gid_t gid, gid_t more)
{
	int status;

	(void)fflush(NULL);
	const pid_t pid = fork();

	if (!pid)
		_exit(ask_as(uid, gid, more));
	while (waitpid(pid, &status, WNOHANG) == 0)
		(void)sd_event_run(event, 1000);
	assert_true(WIFEXITED(status));
	return WEXITSTATUS(status);
}

static void only_the_group_may_ask(void **state)
{
	const struct group *other = getgrnam("daemon"); // cppcheck-suppress getgrnamCalled ; one thread

	(void)state;
	const gid_t gid = other ? other->gr_gid : 0;

	if (geteuid() || !gid) {
		print_message("needs root and a group 'daemon': skipped\n");
		skip();
	}

	control = control_at(path, "daemon");
	assert_int_equal(lull_control_attach(control, event, handler, &got), 0);
	/* Even where the file's mode would let anybody in. */
	assert_int_equal(chmod(folder, 0755), 0);
	assert_int_equal(chmod(path, 0666), 0);
	assert_int_equal(answer_to(65534, 65534, 0), 1);
	assert_string_equal(
		stderr_text(), "lulld: warning: somebody outside the control group asked, and was refused\n");
	assert_int_equal(handled, 0);
	assert_int_equal(answer_to(65534, gid, 0), 0);
	assert_int_equal(answer_to(65534, 65534, gid), 0);
	assert_int_equal(answer_to(0, 65534, 0), 0);
	assert_int_equal(handled, 3);
}

int main(void)
{
#define CONTROL(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
	const struct CMUnitTest tests[] = {
		CONTROL(it_is_made_for_its_group),
		CONTROL(sockets_that_cannot_be_made),
		CONTROL(one_that_is_left_over_makes_way),
		CONTROL(one_that_is_answered_stays),
		CONTROL(commands_reach_the_recorder),
		CONTROL(what_makes_no_sense_is_answered_and_goes_no_further),
		CONTROL(without_an_answer_it_is_let_go),
		CONTROL(who_fetches_nothing_is_let_go),
		CONTROL(the_oldest_makes_way),
		CONTROL(only_the_group_may_ask),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
