/* SPDX-License-Identifier: GPL-3.0-or-later */
/* book_open: which recording is gone on with, or how a new one begins. */
#include <daemon/book_impl.h>
#include <daemon/log.h>
#include <store/claim.h>
#include <store/uuid.h>

#include <dirent.h>
#include <errno.h>
#include <inttypes.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define STOPPED_REJOIN (10 * LULL_MIN) /* a recorder that was stopped and started again: an update, a new configuration */
#define UNKNOWN_GAP LULL_SEC /* how long the power was off when nobody can tell: shown as this, and said */

/* --- names --- */

static bool ends_with(const char *name, const char *end)
{
	const size_t n = strlen(name), m = strlen(end);

	return n > m && !strcmp(name + n - m, end);
}

static int64_t changed_at(const char *path)
{
	struct stat st;
	char wal[PATH_MAX];
	int64_t at = 0;

	if (!stat(path, &st))
		at = (int64_t)st.st_mtim.tv_sec * LULL_SEC + st.st_mtim.tv_nsec;
	const int n = snprintf(wal, sizeof wal, "%s-wal", path);

	if (n > 0 && (size_t)n < sizeof wal && !stat(wal, &st)) {
		const int64_t later = (int64_t)st.st_mtim.tv_sec * LULL_SEC + st.st_mtim.tv_nsec;

		at = later > at ? later : at;
	}
	return at;
}

/* The recording of the folder that was written to last; false: there is none. */
static bool newest(const char *folder, char *path, size_t size)
{
	DIR *dir = opendir(folder);
	int64_t best = INT64_MIN;
	bool found = false;

	if (!dir)
		return false;
	for (const struct dirent *e = readdir(dir); e; e = readdir(dir)) {
		char name[PATH_MAX];
		const int n = snprintf(name, sizeof name, "%s/%s", folder, e->d_name);

		if (!ends_with(e->d_name, ".lull") || n < 0 || (size_t)n >= size || (size_t)n >= sizeof name)
			continue;
		const int64_t at = changed_at(name);

		/* What another recorder writes is its own. */
		if (lull_claim_held(name)) {
			lull_log(SD_NOTICE,
				"%s: another recorder is writing it; this one makes a recording of its own. For one recording, stop one of "
				"the two; for two folders, see folder = in [recorder]",
				name);
			continue;
		}
		/* Without a clock several may have one date: the later name then. */
		if (at > best || (at == best && strcmp(name, path) > 0)) {
			best = at;
			found = true;
			memcpy(path, name, (size_t)n + 1);
		}
	}
	(void)closedir(dir);
	return found;
}

static int name_at(const struct lull_book *book, const struct lull_moment *now, unsigned nth, char *path, size_t size)
{
	char stem[80], more[16] = "";
	const time_t t = (time_t)(now->utc / LULL_SEC);
	struct tm tm;

	if (nth > 1)
		(void)snprintf(more, sizeof more, "_%u", nth);
	if (now->dated && localtime_r(&t, &tm))
		(void)strftime(stem, sizeof stem, "%Y-%m-%d_%H-%M-%S", &tm);
	else
		(void)snprintf(stem, sizeof stem, "undated_%.8s_%06" PRId64, book->plan.boot, now->boot / LULL_SEC);
	const int n = snprintf(path, size, "%s/%s%s.lull", book->plan.config->folder, stem, more);

	return n < 0 || (size_t)n >= size ? -ENAMETOOLONG : 0;
}

static int put_texts(struct lull_book *book)
{
	char created[64];

	(void)snprintf(created, sizeof created, "lulld %s", LULL_VERSION);
	int r = lull_journal_text(book->journal, "created-by", created);

	if (!r)
		r = lull_journal_identity(book->journal, &book->identity);
	if (!r && book->plan.profile)
		r = lull_journal_text(book->journal, "profile", book->plan.profile);
	return r;
}

static int put_session(struct lull_book *book)
{
	struct lull_session session = {.from = book->began, .boottime_ns = book->zero + book->began};

	memcpy(session.boot, book->plan.boot, sizeof session.boot);
	return lull_journal_session(book->journal, &session);
}

int lull_book_new_file(struct lull_book *book, const struct lull_moment *now, char *err, size_t err_size)
{
	char path[PATH_MAX];
	int r = 0;

	for (unsigned nth = 1; nth < 100 && !book->journal; nth++) {
		r = name_at(book, now, nth, path, sizeof path);
		if (r)
			break;
		errno = 0;
		book->journal = lull_journal_create(path, err, err_size);
		if (!book->journal && errno != EEXIST && errno != EBUSY)
			return errno ? -errno : -EIO;
	}
	if (!book->journal) {
		(void)snprintf(err, err_size, "%s: no name is left for a recording", book->plan.config->folder);
		return r ? r : -EEXIST;
	}
	book->identity = book->plan.identity;
	lull_uuid_random(book->identity.uuid);
	r = put_texts(book);
	if (!r)
		r = put_session(book);
	if (r) {
		(void)snprintf(err, err_size, "%s: cannot be begun: %s", path, strerror(-r));
		lull_journal_discard(book->journal);
		book->journal = NULL;
		return r;
	}
	lull_log(SD_NOTICE, "recording into %s", path);
	return 0;
}

/* What was in the file before is not in the next one, which begins to know the bus after the last write. */
static int let_go(struct lull_book *book)
{
	struct lull_sink to = lull_night_sink(&book->rows);
	const lull_time written = lull_book_time(book, book->written_at);
	int r = 0;

	book->bytes_before += lull_journal_written(book->journal);
	book->pictured_at = 0;
	book->clock.t = LULL_NEVER;
	book->unsettled = false;
	for (unsigned i = 0; i < book->bus_count; i++)
		if (book->bus[i].observed != LULL_NEVER && book->bus[i].observed < written)
			book->bus[i].observed = written;
	for (size_t i = 0; i < book->rows.coverage.n; i++) {
		struct lull_coverage *row = &book->rows.coverage.at[i];

		if (row->why == LULL_OBSERVED && row->from < written)
			row->from = row->to < written ? row->to : written;
	}
	/* Sentences that went into the file, all but those that still wait. */
	const size_t waiting = book->rows.left_out.n;

	for (size_t i = 0; i + waiting < book->told_count && !r; i++)
		r = to.left_out(to.ctx, book->told[i]);
	return r;
}

int lull_book_leave(struct lull_book *book, int astray)
{
	lull_log(SD_ERR, "%s: %s while it was written; a new recording is begun with what is in memory",
		lull_journal_path(book->journal), astray == -ESTALE ? "was replaced by another file" : "was deleted or renamed");
	int r = let_go(book);

	lull_journal_leave(book->journal);
	book->journal = NULL;
	return r ? r : lull_book_left_out(book, "the recording was deleted, renamed or replaced while it was written: what it held until then is not in this one");
}

int lull_book_replace(struct lull_book *book, const struct lull_moment *now)
{
	char path[PATH_MAX], aside[PATH_MAX], err[512];

	(void)snprintf(path, sizeof path, "%s", lull_journal_path(book->journal));
	int failed = let_go(book);

	lull_journal_abandon(book->journal);
	book->journal = NULL;
	if (failed)
		return failed;
	int r = lull_journal_set_aside(path, aside, sizeof aside);

	if (r)
		lull_log(SD_ERR, "%s: is damaged and cannot be set aside: %s", path, strerror(-r));
	else
		lull_log(SD_ERR, "%s: is damaged; set aside as %s", path, aside);
	r = lull_book_new_file(book, now, err, sizeof err);
	if (r)
		lull_log(SD_ERR, "%s", err);
	return 0;
}

/* --- going on --- */

/* Where the recording stands now, by what both clocks can tell; false: it is not to be gone on with. *gap_known: how long the
 * recorder was away is known. */
static bool stands_at(const struct lull_book *book, const struct lull_journal_past *past, const struct lull_moment *now,
	lull_time *t, bool *gap_known)
{
	const int64_t rejoin = past->stopped ? STOPPED_REJOIN : book->plan.config->rejoin_ns;
	const int64_t doubt = 10 * LULL_MIN;

	*gap_known = true;
	if (!past->last.boot[0])
		return false;
	if (!strcmp(past->last.boot, book->plan.boot)) {
		*t = now->boot - (past->last.boottime_ns - past->last.from);
	} else if (now->dated && past->clock.t != LULL_NEVER && past->clock.error_ns < doubt && now->error < doubt) {
		*t = now->utc - past->clock.utc_ns + past->clock.t;
	} else {
		*gap_known = false;
		*t = past->until + UNKNOWN_GAP;
	}
	/* A clock that was set meanwhile cannot put the start before the end. */
	if (*t < past->until && *t > past->until - doubt)
		*t = past->until;
	return *t >= past->until && *t - past->until <= rejoin && *t < book->plan.config->longest_ns;
}

/* What is not told now stays as it was told before. A recording of an older schema gets its UUID now. */
static void take_identity(struct lull_book *book, const struct lull_night_identity *before)
{
	struct lull_night_identity *now = &book->identity;

	*now = book->plan.identity;
	memcpy(now->uuid, before->uuid, sizeof now->uuid);
	if (!now->uuid[0])
		lull_uuid_random(now->uuid);
	if (!now->recorder[0])
		memcpy(now->recorder, before->recorder, sizeof now->recorder);
	if (!now->vehicle[0])
		memcpy(now->vehicle, before->vehicle, sizeof now->vehicle);
	if (!now->model[0])
		memcpy(now->model, before->model, sizeof now->model);
}

/* A recording is of one vehicle. */
static bool other_vehicle(const struct lull_book *book, const struct lull_journal_past *past)
{
	const char *before = past->identity.vehicle, *now = book->plan.identity.vehicle;

	return before[0] && now[0] && strcmp(before, now) != 0;
}

int lull_book_settle(struct lull_book *book)
{
	int r = lull_journal_settle(book->journal, book->until);

	if (!r)
		r = put_texts(book);
	/* The file counts from here as it did; the session begins where it hears again. */
	if (!r)
		r = put_session(book);
	book->unsettled = r != 0;
	return r;
}

/* The disk has its part with the first write: it may be full. */
static int go_on(struct lull_book *book, const struct lull_journal_past *past, const struct lull_moment *now, lull_time t,
	bool gap_known)
{
	memcpy(book->before, past->bus, sizeof book->before);
	book->zero = now->boot - t;
	book->clock = past->clock;
	take_identity(book, &past->identity);
	book->unsettled = true;
	book->until = past->until;
	int r = lull_book_begin(book, t);

	if (!r)
		r = lull_observer_blind(book->observer, LULL_BUS_ALL, past->until, t, LULL_BLIND_RESTARTED);
	if (!r && !gap_known)
		r = lull_book_left_out(book,
			"the recorder was without power for a time that no clock tells; it is shown as one second");
	return r;
}

/* 0: gone on with; 1: there is nothing to go on with; -errno. */
static int try_newest(struct lull_book *book, const struct lull_moment *now, char *err, size_t err_size)
{
	char path[PATH_MAX] = "", aside[PATH_MAX];
	struct lull_journal_past past;
	bool gap_known;
	lull_time t;

	if (!newest(book->plan.config->folder, path, sizeof path))
		return 1;
	errno = 0;
	book->journal = lull_journal_open(path, &past, err, err_size);
	if (!book->journal && errno == EBADMSG) {
		int r = lull_journal_set_aside(path, aside, sizeof aside);

		lull_log(SD_ERR, "%s; %s%s", err, r ? "it cannot be set aside: " : "set aside as ", r ? strerror(-r) : aside);
		return 1;
	}
	if (!book->journal) {
		lull_log(SD_WARNING, "%s; a new recording is begun", err);
		return 1;
	}
	if (!other_vehicle(book, &past) && stands_at(book, &past, now, &t, &gap_known)) {
		int r = go_on(book, &past, now, t, gap_known);

		if (!r)
			lull_log(SD_NOTICE, "going on with %s", path);
		else
			(void)snprintf(err, err_size, "%s: cannot be gone on with: %s", path, strerror(-r));
		return r;
	}
	/* It is left as one file, as if it had been closed when it was broken off. */
	if (past.stopped || lull_journal_settle(book->journal, past.until))
		lull_journal_abandon(book->journal);
	else if (lull_journal_close(book->journal, past.until, err, err_size))
		lull_log(SD_WARNING, "%s", err);
	book->journal = NULL;
	return 1;
}

struct lull_book *lull_book_open(const struct lull_book_plan *plan, const struct lull_moment *now, char *err, size_t err_size)
{
	struct lull_book *book = calloc(1, sizeof *book);
	int r;

	err[0] = '\0';
	if (!book) {
		(void)snprintf(err, err_size, "out of memory");
		errno = ENOMEM;
		return NULL;
	}
	book->plan = *plan;
	book->clock.t = LULL_NEVER;
	book->written_at = book->tried_at = now->boot;
	lull_night_init(&book->rows);
	r = plan->anew ? 1 : try_newest(book, now, err, err_size);
	if (r == 1) {
		book->zero = now->boot;
		r = lull_book_begin(book, 0);
	}
	if (r < 0) {
		if (!err[0])
			(void)snprintf(err, err_size, "%s: %s", plan->config->folder, strerror(-r));
		if (book->journal)
			lull_journal_abandon(book->journal);
		lull_book_free(book);
		errno = -r;
		return NULL;
	}
	/* The file is made, and that it was away is on the disk, before anything else can happen. A disk that refuses is tried again;
	 * until then all is held in memory. */
	(void)!lull_book_flush(book, now);
	return book;
}
