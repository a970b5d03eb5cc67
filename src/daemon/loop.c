/* SPDX-License-Identifier: GPL-3.0-or-later */
/* loop: the recorder's main process from its start to its end. */
#include <daemon/control.h>
#include <daemon/ignition.h>
#include <daemon/log.h>
#include <daemon/loop.h>
#include <daemon/privileges.h>
#include <daemon/second.h>
#include <daemon/state.h>
#include <source/profile.h>

#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/timerfd.h>
#include <sys/wait.h>
#include <systemd/sd-event.h>
#include <unistd.h>

#define FRESH_ENOUGH (5 * LULL_SEC)
#define PROFILE_MOST ((size_t)1 << 20)

struct loop {
	struct lull_config *config;
	const struct lull_loop_options *o;
	sd_event *event;
	struct lull_receiver receiver;
	struct lull_second second;
	struct lull_control *control;
	struct lull_ignition *ignition; /* NULL: none */
	char *profile;
	int clock_fd; /* timerfd that tells when the wall clock is set */
	int failure; /* -errno that ends it all */
};

static int give_up(struct loop *loop, int r, const char *what)
{
	if (r >= 0)
		return 0;
	lull_log(SD_ERR, "%s: %s; the recorder stops", what, strerror(-r));
	loop->failure = r;
	(void)sd_event_exit(loop->event, 1);
	return 0;
}

/* --- events --- */

static int on_news(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	struct loop *loop = ctx;
	eventfd_t count;

	(void)source;
	(void)revents;
	(void)eventfd_read(fd, &count);
	const int n = lull_ears_drain(&loop->second.ears, LULL_AT_ONCE);

	if (n == LULL_AT_ONCE)
		(void)eventfd_write(fd, 1);
	return give_up(loop, n, "what was heard cannot be taken");
}

static int on_watch(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	struct loop *loop = ctx;
	const struct lull_moment now = lull_moment_now();

	int r = lull_second_take(&loop->second);

	(void)source;
	(void)fd;
	(void)revents;
	if (!r)
		r = lull_ears_watch(&loop->second.ears, &now);
	return give_up(loop, r, "news of the links cannot be taken");
}

static int on_helper(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	struct loop *loop = ctx;
	const struct lull_moment now = lull_moment_now();

	int r = lull_second_take(&loop->second);

	(void)fd;
	(void)revents;
	if (!r)
		r = lull_ears_helper(&loop->second.ears, &now);

	if (!loop->second.ears.helper)
		(void)sd_event_source_set_enabled(source, SD_EVENT_OFF);
	return give_up(loop, r, "the helper's answer cannot be taken");
}

static int arm_clock(int fd)
{
	/* A century ahead: it never comes, but is cancelled whenever the clock is set. */
	const struct itimerspec never = {.it_value = {.tv_sec = INT64_C(7258118400)}};

	return timerfd_settime(fd, TFD_TIMER_ABSTIME | TFD_TIMER_CANCEL_ON_SET, &never, NULL) ? -errno : 0;
}

static int on_clock(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	struct loop *loop = ctx;
	uint64_t expirations;
	const ssize_t got = read(fd, &expirations, sizeof expirations);

	(void)source;
	(void)revents;
	if (got < 0 && errno == ECANCELED) {
		const struct lull_moment now = lull_moment_now();

		lull_log(SD_NOTICE, "the clock was set%s", now.dated ? "" : "; it is not known to be right");
		/* The receiver reads both clocks at once, so that stamps from before and after can be told apart. */
		lull_second_ping(&loop->second, &now);
		const int r = lull_book_clock(loop->second.ears.book, &now, true);

		if (r)
			return give_up(loop, r, "the clock cannot be noted");
	}
	const int r = arm_clock(fd);

	if (r)
		lull_log(SD_WARNING, "changes of the clock will not be noticed at once: %s", strerror(-r));
	return 0;
}

static int on_end(sd_event_source *source, const struct signalfd_siginfo *info, void *ctx)
{
	struct loop *loop = ctx;

	(void)source;
	(void)sd_notify(0, "STOPPING=1");
	lull_log(SD_NOTICE, "stopping on signal %" PRIu32, info->ssi_signo);
	return sd_event_exit(loop->event, 0);
}

static int on_child(sd_event_source *source, const siginfo_t *info, void *ctx)
{
	struct loop *loop = ctx;

	(void)source;
	(void)ctx;
	lull_log(SD_ERR, "the receiver has ended (%s %d); the recorder stops and has to be started anew",
		info->si_code == CLD_EXITED ? "status" : "signal", info->si_status);
	loop->receiver.pid = -1;
	loop->failure = -ECHILD;
	return sd_event_exit(loop->event, 1);
}

/* --- each second --- */

static int on_second(sd_event_source *source, uint64_t usec, void *ctx)
{
	struct loop *loop = ctx;
	const struct lull_moment now = lull_moment_now();
	uint64_t next;

	(void)usec;
	const int r = lull_second_pass(&loop->second, &now);

	(void)sd_event_now(loop->event, CLOCK_BOOTTIME, &next);
	(void)sd_event_source_set_time(source, r > 0 ? next : next + 1000000);
	(void)sd_event_source_set_enabled(source, SD_EVENT_ONESHOT);
	return give_up(loop, r, "the recording cannot go on");
}

/* --- the key --- */

static void on_key(void *ctx, bool on, int64_t at)
{
	struct loop *loop = ctx;
	const struct lull_moment now = lull_moment_now();
	const char *text = lull_mark_name(on ? LULL_MARK_KEY_ON : LULL_MARK_KEY_OFF);
	struct lull_book *book = loop->second.ears.book;
	int r = lull_second_take(&loop->second);

	if (!r)
		r = lull_book_mark(book, text, at);
	if (!r && !lull_book_flush(book, &now))
		lull_log(SD_NOTICE, "ignition: %s", text);
	(void)give_up(loop, r, "the key cannot be noted");
}

/* --- control --- */

static char *on_command(void *ctx, const struct lull_command *command)
{
	struct loop *loop = ctx;
	const struct lull_moment now = lull_moment_now();
	struct lull_book *book = loop->second.ears.book;
	int r = lull_second_take(&loop->second);

	switch (command->verb) {
	case LULL_VERB_MARK:
		if (!r)
			r = lull_book_mark(book, command->text, now.boot - command->ago);
		/* A mark is worth a write of its own. */
		if (!r && !lull_book_flush(book, &now))
			lull_log(SD_NOTICE, "mark: %s", command->text);
		break;
	case LULL_VERB_STATUS:
		if (!r && command->fresh && now.boot - lull_book_pictured_at(book) >= FRESH_ENOUGH)
			(void)!lull_book_flush(book, &now);
		break;
	case LULL_VERB_NEW:
		if (!r)
			r = lull_second_next(&loop->second, &now);
		break;
	}
	(void)give_up(loop, r, "a command cannot be followed");
	struct lull_clamp_state clamp;

	lull_clamp_feed_state(loop->second.clamp, &clamp);
	return r ? NULL : lull_state_text(&loop->second.ears, &clamp, &now);
}

static int read_profile(struct loop *loop)
{
	struct lull_profile profile;
	char err[1024];
	size_t size;

	free(loop->profile);
	loop->second.profile = loop->profile = NULL;
	memset(&loop->second.car, 0, sizeof loop->second.car);
	if (!loop->config->profile[0])
		return 0;
	loop->profile = lull_text_read(loop->config->profile, PROFILE_MOST, &size, err, sizeof err);
	if (!loop->profile || lull_profile_parse_text(loop->config->profile, loop->profile, size, &profile, err, sizeof err)) {
		lull_log(SD_ERR, "%s; the recording goes without a profile", err);
		free(loop->profile);
		loop->profile = NULL;
		return -EINVAL;
	}
	memcpy(loop->second.car.vehicle, profile.vehicle, sizeof loop->second.car.vehicle);
	memcpy(loop->second.car.model, profile.model, sizeof loop->second.car.model);
	lull_profile_clear(&profile);
	loop->second.profile = loop->profile;
	return 0;
}

static bool same_buses(const struct lull_config *a, const struct lull_config *b)
{
	bool same = a->bus_count == b->bus_count && !strcmp(a->socket, b->socket);

	for (size_t i = 0; i < a->bus_count && same; i++) {
		const struct lull_config_bus *x = &a->bus[i], *y = &b->bus[i];

		same = !strcmp(x->name, y->name) && !strcmp(x->interface, y->interface) && !strcmp(x->adapter, y->adapter) &&
			x->bitrate == y->bitrate && x->bitrate_data == y->bitrate_data &&
			x->accept_acknowledging == y->accept_acknowledging;
	}
	return same;
}

/* What can change while it runs: limits, folder, batches, profile. Buses need a start of their own. */
static int on_reload(sd_event_source *source, const struct signalfd_siginfo *info, void *ctx)
{
	struct loop *loop = ctx;
	struct lull_config *fresh = malloc(sizeof *fresh);
	char err[1024];

	(void)source;
	(void)info;
	if (!fresh)
		return give_up(loop, -ENOMEM, "the configuration cannot be read");
	(void)sd_notify(0, "RELOADING=1");
	if (lull_config_read(loop->o->config_path, fresh, err, sizeof err)) {
		lull_log(SD_ERR, "%s; the old configuration stays", err);
	} else {
		if (!same_buses(fresh, loop->config))
			lull_log(SD_WARNING, "other buses, adapters or sockets are taken with the next start only");
		memcpy(fresh->bus, loop->config->bus, sizeof fresh->bus);
		fresh->bus_count = loop->config->bus_count;
		memcpy(fresh->socket, loop->config->socket, sizeof fresh->socket);
		*loop->config = *fresh;
		(void)!read_profile(loop);
		lull_log(SD_NOTICE,
			"the configuration was read again; folder, vehicle and profile hold from the next "
			"recording on");
	}
	free(fresh);
	(void)sd_notify(0, "READY=1");
	return 0;
}

/* --- start and end --- */

static uint64_t sum_of_bitrates(const struct lull_config *config)
{
	uint64_t sum = 0;

	for (size_t i = 0; i < config->bus_count; i++) {
		const struct lull_config_bus *bus = &config->bus[i];

		sum += bus->bitrate_data ? bus->bitrate_data : bus->bitrate ? bus->bitrate : 1000000;
	}
	return sum;
}

static void start_helper(struct loop *loop, const struct lull_identity *identity)
{
	bool any = false, acknowledging = false;

	for (size_t i = 0; i < loop->config->bus_count; i++) {
		any |= loop->config->bus[i].bitrate != 0;
		acknowledging |= loop->config->bus[i].accept_acknowledging;
	}
	if (!any)
		return;
	const int r = lull_helper_start(&loop->second.ears.helper, identity->change ? identity->uid : (uid_t)-1, identity->gid, acknowledging,
		NULL);

	if (r) {
		loop->second.ears.helper = NULL;
		lull_log(SD_WARNING,
			"links are not set up by the recorder (%s): an adapter that comes back at night stays as the kernel leaves it",
			r == -EPERM ? "no CAP_NET_ADMIN" : strerror(-r));
	}
}

/* Processes that keep something are forked before the rest is dropped. */
static int start_processes(struct loop *loop)
{
	struct lull_identity identity;
	char err[512];
	int r = lull_identity_find(loop->config->user, &identity, err, sizeof err);

	if (r) {
		lull_log(SD_ERR, "%s", err);
		return r;
	}
	r = lull_control_open(&loop->control, loop->config->socket, loop->config->group, err, sizeof err);
	if (r) {
		lull_log(SD_ERR, "%s", err);
		return r;
	}
	lull_control_viewer(loop->control, loop->config->viewer);
	start_helper(loop, &identity);
	r = lull_receiver_start(&loop->receiver, sum_of_bitrates(loop->config), &identity, !loop->o->unconfined);
	if (r) {
		lull_log(SD_ERR, "the receiver cannot be started: %s", strerror(-r));
		return r;
	}
	r = lull_privileges_drop(&identity, false);
	/* With the user's rights: the instrument is the user's to read. */
	if (!r && lull_clamp_feed_open(&loop->second.clamp, &loop->config->clamp, lull_boottime(), err, sizeof err))
		lull_log(SD_ERR, "%s; the recording goes without current", err);
	if (!r && loop->config->ignition_chip[0] &&
		lull_ignition_open(&loop->ignition, loop->config->ignition_chip, loop->config->ignition_line,
			loop->config->ignition_low, err, sizeof err))
		lull_log(SD_ERR, "%s; the key is not watched", err);
	if (!r && !loop->o->unconfined)
		r = lull_main_confine();
	if (r)
		lull_log(SD_ERR, "privileges cannot be dropped: %s", strerror(-r));
	return r;
}

static int add_sources(struct loop *loop)
{
	sd_event_source *source;
	int r;

	r = sd_event_add_io(loop->event, NULL, loop->receiver.news, EPOLLIN, on_news, loop);
	if (r >= 0)
		r = sd_event_add_io(loop->event, NULL, lull_watch_fd(loop->second.ears.watch), EPOLLIN, on_watch, loop);
	if (r >= 0 && loop->second.ears.helper)
		r = sd_event_add_io(loop->event, NULL, lull_helper_fd(loop->second.ears.helper), EPOLLIN, on_helper, loop);
	if (r >= 0)
		r = lull_control_attach(loop->control, loop->event, on_command, loop);
	if (r >= 0)
		r = sd_event_add_child(loop->event, NULL, loop->receiver.pid, WEXITED, on_child, loop);
	if (r >= 0)
		r = sd_event_add_signal(loop->event, NULL, SIGTERM, on_end, loop);
	if (r >= 0)
		r = sd_event_add_signal(loop->event, NULL, SIGINT, on_end, loop);
	if (r >= 0)
		r = sd_event_add_signal(loop->event, NULL, SIGHUP, on_reload, loop);
	if (r >= 0)
		r = sd_event_add_time_relative(loop->event, &source, CLOCK_BOOTTIME, 1000000, 250000, on_second, loop);
	if (r < 0)
		return r;
	loop->clock_fd = timerfd_create(CLOCK_REALTIME, TFD_CLOEXEC | TFD_NONBLOCK);
	if (loop->clock_fd < 0)
		return -errno;
	r = arm_clock(loop->clock_fd);
	return r < 0 ? r : sd_event_add_io(loop->event, NULL, loop->clock_fd, EPOLLIN, on_clock, loop);
}

static int start(struct loop *loop)
{
	struct lull_moment now;
	int r = sd_event_default(&loop->event);

	if (r < 0)
		return r;
	(void)!read_profile(loop);
	r = start_processes(loop);
	if (r)
		return r;
	loop->second.ears.watch = lull_watch_open();
	if (!loop->second.ears.watch) {
		r = errno ? -errno : -EIO;
		lull_log(SD_ERR, "network interfaces cannot be watched: %s", strerror(-r));
		return r;
	}
	now = lull_moment_now();
	loop->second.config = loop->config;
	loop->second.ears.config = loop->config;
	loop->second.ears.receiver = &loop->receiver;
	r = lull_second_begin(&loop->second, &now);
	if (r)
		return r;
	lull_second_ping(&loop->second, &now);
	r = lull_ears_begin(&loop->second.ears, &now);
	if (!r)
		r = lull_book_clock(loop->second.ears.book, &now, false);
	if (!r)
		r = add_sources(loop);
	if (r >= 0 && loop->ignition)
		r = lull_ignition_attach(loop->ignition, loop->event, on_key, loop);
	if (r >= 0 && loop->second.clamp)
		r = lull_clamp_feed_attach(loop->second.clamp, loop->event, loop->second.ears.book);
	if (r >= 0) {
		if (sd_watchdog_enabled(0, &loop->second.watchdog_us) <= 0)
			loop->second.watchdog_us = 0;
		const char *path = lull_book_path(loop->second.ears.book);

		(void)sd_notifyf(0, "READY=1\nSTATUS=recording into %s", path[0] ? path : "memory: nothing can be written");
	}
	return r < 0 ? r : 0;
}

static void block_signals(void)
{
	sigset_t set;

	(void)sigemptyset(&set);
	(void)sigaddset(&set, SIGTERM);
	(void)sigaddset(&set, SIGINT);
	(void)sigaddset(&set, SIGHUP);
	(void)sigaddset(&set, SIGCHLD);
	(void)sigprocmask(SIG_BLOCK, &set, NULL);
	(void)signal(SIGPIPE, SIG_IGN);
}

/* What the receiver had heard goes in before the recording is closed. */
static int finish(struct loop *loop)
{
	struct lull_second *second = &loop->second;
	int r = 0;

	if (second->ears.book) {
		if (loop->receiver.shared)
			r = lull_second_take(second);
		const struct lull_moment now = lull_moment_now();

		if (second->clamp)
			(void)!lull_clamp_feed_turn(second->clamp, NULL);
		const int closed = lull_book_close(second->ears.book, &now);

		r = r ? r : closed;
	}
	lull_keep_close(second->ears.keep);
	lull_control_close(loop->control);
	lull_ignition_close(loop->ignition);
	lull_clamp_feed_close(second->clamp);
	lull_receiver_stop(&loop->receiver);
	if (loop->second.ears.helper)
		lull_helper_stop(loop->second.ears.helper);
	lull_watch_close(loop->second.ears.watch);
	if (loop->clock_fd >= 0)
		(void)close(loop->clock_fd);
	(void)sd_event_unref(loop->event);
	free(loop->profile);
	return r;
}

int lull_loop_run(struct lull_config *config, const struct lull_loop_options *o)
{
	static struct loop loop;
	int r;

	loop = (struct loop){.config = config, .o = o, .clock_fd = -1};
	loop.receiver.pid = -1;
	loop.receiver.kick = loop.receiver.news = -1;
	block_signals();
	r = start(&loop);
	if (!r)
		r = sd_event_loop(loop.event);
	const int finished = finish(&loop);

	return r || finished || loop.failure ? 1 : 0;
}
