/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_recorder: the whole recorder in a process of its own, on buses that are not there: what it answers, what it reads again, how it
 * ends. Each step waits for the one before, whatever time that takes. */
#include <daemon/log.h>
#include <daemon/loop.h>
#include <lull/night.h>
#include <store/store.h>

#include <errno.h>
#include <fcntl.h>
#include <glob.h>
#include <grp.h>
#include <jansson.h>
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
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

static char folder[64], conf[100], control[100], said[100];
static pid_t pid;

static int set_up(void **state)
{
	(void)state;
	(void)snprintf(folder, sizeof folder, "/tmp/lull-test-recorder-XXXXXX");
	assert_non_null(mkdtemp(folder));
	(void)snprintf(conf, sizeof conf, "%s/lull.conf", folder);
	(void)snprintf(control, sizeof control, "%s/control", folder);
	(void)snprintf(said, sizeof said, "%s/said", folder);
	pid = -1;
	return 0;
}

static int tear_down(void **state)
{
	char pattern[100];

	(void)state;
	if (pid > 0) {
		(void)kill(pid, SIGKILL);
		(void)waitpid(pid, NULL, 0);
	}
	for (int hidden = 0; hidden < 2; hidden++) {
		glob_t found;

		(void)snprintf(pattern, sizeof pattern, hidden ? "%s/.lull*" : "%s/*", folder);
		if (glob(pattern, 0, NULL, &found))
			continue;
		for (size_t i = 0; i < found.gl_pathc; i++)
			(void)unlink(found.gl_pathv[i]);
		globfree(&found);
	}
	return rmdir(folder);
}

static void put_text(const char *path, const char *text)
{
	FILE *f = fopen(path, "w");

	assert_non_null(f);
	assert_true(fputs(text, f) >= 0);
	assert_int_equal(fclose(f), 0);
}

/* A configuration with these lines of [recorder], and sections besides. */
static void configure(const char *recorder, const char *sections)
{
	const struct group *own = getgrgid(getegid()); // cppcheck-suppress getgrgidCalled ; one thread
	char text[2000];

	assert_non_null(own);
	(void)snprintf(text, sizeof text,
		"[recorder]\nfolder = %s\nuser = root\n%s\n[control]\nsocket = %s\ngroup = %s\n"
		"[bus body]\ninterface = lulltest0\nbitrate = 500k\n[bus drive]\ninterface = lulltest1\n%s\n",
		folder, recorder, control, own->gr_name, sections);
	put_text(conf, text);
}

static int record(void)
{
	static struct lull_config config;
	const struct lull_loop_options o = {.config_path = conf, .unconfined = true};
	char err[500];

	if (lull_config_read(conf, &config, err, sizeof err)) {
		(void)fprintf(stderr, "%s\n", err);
		return 99;
	}
	return lull_loop_run(&config, &o);
}

static pid_t start(void)
{
	(void)fflush(NULL);
	const pid_t child = fork();

	if (!child) {
		const int fd = open(said, O_WRONLY | O_CREAT | O_APPEND, 0600);

		if (fd < 0 || dup2(fd, STDERR_FILENO) < 0)
			_exit(98);
		(void)close(fd);
		lull_log_plain(true);
		/* exit(), so that what it ran is counted by whoever counts lines. */
		exit(record());
	}
	return child;
}

static int status_of(pid_t child)
{
	int status;

	assert_int_equal(waitpid(child, &status, 0), child);
	assert_true(WIFEXITED(status));
	return WEXITSTATUS(status);
}

static bool has_said(const char *text)
{
	static char all[65536];
	FILE *f = fopen(said, "r");

	if (!f)
		return false;
	all[fread(all, 1, sizeof all - 1, f)] = '\0';
	(void)fclose(f);
	return strstr(all, text) != NULL;
}

/* For as long as the recorder lives. */
static void wait_for(const char *text)
{
	while (!has_said(text)) {
		int status;

		if (waitpid(pid, &status, WNOHANG) == pid) {
			pid = -1;
			fail_msg("it ended before it said '%s'", text);
		}
		(void)poll(NULL, 0, 5);
	}
}

static int called(void)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	const int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);

	(void)snprintf(address.sun_path, sizeof address.sun_path, "%s", control);
	assert_true(fd >= 0);
	while (connect(fd, (struct sockaddr *)&address, sizeof address)) {
		if (waitpid(pid, NULL, WNOHANG) == pid) {
			pid = -1;
			fail_msg("it ended before it could be asked");
		}
		(void)poll(NULL, 0, 5);
	}
	return fd;
}

static json_t *ask(int fd, const char *text)
{
	static char answer[131072];

	assert_int_equal(send(fd, text, strlen(text), MSG_NOSIGNAL), strlen(text));
	const ssize_t n = recv(fd, answer, sizeof answer, 0);

	assert_true(n > 0);
	json_t *json = json_loadb(answer, (size_t)n, 0, NULL);

	assert_non_null(json);
	return json;
}

static const char *text_of(const json_t *json, const char *key)
{
	const char *text = json_string_value(json_object_get(json, key));

	return text ? text : "";
}

/* Marks of a finished recording, one a line. */
static void marks_of(const char *path, char *marks, size_t size)
{
	struct lull_night night;
	char err[300];

	lull_night_init(&night);
	if (lull_store_load(path, &night, err, sizeof err))
		fail_msg("%s", err);
	marks[0] = '\0';
	for (size_t i = 0; i < night.marks.n; i++) {
		(void)strncat(marks, night.marks.at[i].text, size - strlen(marks) - 1);
		(void)strncat(marks, "\n", size - strlen(marks) - 1);
	}
	/* Nothing was heard, and that is no quiet: each bus was blind throughout. */
	for (size_t i = 0; i < night.coverage.n; i++)
		assert_int_not_equal(night.coverage.at[i].why, LULL_OBSERVED);
	assert_int_equal(night.bus_count, 2);
	lull_night_clear(&night);
}

static void a_night_with_two_recordings(void **state)
{
	char first[200], second[200], marks[500];

	(void)state;
	configure("keep-frames = all", "[ignition]\nchip = lulltest\nline = 3\n");
	pid = start();
	const int fd = called();
	json_t *json = ask(fd, "status fresh");

	assert_true(json_is_true(json_object_get(json, "ok")));
	assert_string_equal(text_of(json, "format"), "lull.state");
	(void)snprintf(first, sizeof first, "%s", text_of(json, "recording"));
	const json_t *buses = json_object_get(json, "buses");

	assert_int_equal(json_array_size(buses), 2);
	assert_string_equal(text_of(json_array_get(buses, 0), "name"), "body");
	assert_string_equal(text_of(json_array_get(buses, 0), "state"), "blind");
	assert_string_equal(text_of(json_array_get(buses, 1), "name"), "drive");
	assert_true(json_is_null(json_object_get(json, "current")));
	json_decref(json);
	assert_true(has_said("the key is not watched"));
	json_decref(ask(fd, "mark key off"));
	json = ask(fd, "new");
	(void)snprintf(second, sizeof second, "%s", text_of(json, "recording"));
	json_decref(json);
	assert_string_not_equal(first, second);
	json_decref(ask(fd, "mark -1 door left"));
	json = ask(fd, "dance");
	assert_false(json_is_true(json_object_get(json, "ok")));
	json_decref(json);
	assert_int_equal(kill(pid, SIGTERM), 0);
	const pid_t child = pid;

	pid = -1;
	assert_int_equal(status_of(child), 0);
	(void)close(fd);
	assert_true(has_said("mark: key off"));
	assert_true(has_said("stopping on signal 15"));
	/* Each has its own marks, and the socket is gone. */
	marks_of(first, marks, sizeof marks);
	assert_string_equal(marks, "key off\n");
	marks_of(second, marks, sizeof marks);
	assert_string_equal(marks, "door left\n");
	assert_int_equal(access(control, F_OK), -1);
}

static void what_is_read_again(void **state)
{
	char profile[200], sections[300];

	(void)state;
	(void)snprintf(profile, sizeof profile, "%s/car.ini", folder);
	put_text(profile, "[limits]\ndraw_mA = 50\n");
	(void)snprintf(sections, sizeof sections, "[profile]\nfile = %s\n", profile);
	configure("", sections);
	pid = start();
	(void)close(called());
	/* One with a fault changes nothing. */
	put_text(conf, "[recorder]\nnonsense = 1\n");
	assert_int_equal(kill(pid, SIGHUP), 0);
	wait_for("the old configuration stays");
	/* A profile with a fault is left out, and said. */
	put_text(profile, "[limits\n");
	configure("keep-frames = all", sections);
	assert_int_equal(kill(pid, SIGHUP), 0);
	wait_for("the recording goes without a profile");
	wait_for("the configuration was read again");
	/* Other buses need another start. */
	configure("", "[bus third]\ninterface = lulltest2\n");
	assert_int_equal(kill(pid, SIGHUP), 0);
	wait_for("other buses, adapters or sockets are taken with the next start only");
	const int fd = called();
	json_t *json = ask(fd, "status");

	assert_int_equal(json_array_size(json_object_get(json, "buses")), 2);
	json_decref(json);
	(void)close(fd);
	assert_int_equal(kill(pid, SIGINT), 0);
	const pid_t child = pid;

	pid = -1;
	assert_int_equal(status_of(child), 0);
}

static void what_it_cannot_start_with(void **state)
{
	(void)state;
	configure("", "");
	pid = start();
	(void)close(called());
	/* A second one with the same socket. */
	assert_int_equal(status_of(start()), 1);
	assert_true(has_said("another lulld answers there"));
	/* The first one has taken no harm. */
	(void)close(called());
	assert_int_equal(kill(pid, SIGTERM), 0);
	const pid_t child = pid;

	pid = -1;
	assert_int_equal(status_of(child), 0);
	/* A group that is not there. */
	char text[500];

	(void)snprintf(text, sizeof text,
		"[recorder]\nfolder = %s\nuser = root\n[control]\nsocket = %s\ngroup = no-such-group\n[bus "
		"b]\ninterface = "
		"lulltest0\n",
		folder, control);
	put_text(conf, text);
	assert_int_equal(status_of(start()), 1);
	assert_true(has_said("there is no group 'no-such-group'"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(a_night_with_two_recordings, set_up, tear_down),
		cmocka_unit_test_setup_teardown(what_is_read_again, set_up, tear_down),
		cmocka_unit_test_setup_teardown(what_it_cannot_start_with, set_up, tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
