/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night_files: an invented night as the files a technician would have; and its truth. */
#include <cmd/night_files.h>
#include <cmd/truth.h>
#include <errno.h>
#include <report/when.h>
#include <source/pcap_out.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

struct lull_night_files {
	char *folder;
	bool force, finished;
	struct lull_progress *progress;
	struct lull_pcap_out *dump[LULL_BUS_MAX];
	FILE *clamp;
	const struct lull_sim_night *night;
};

static char *in_folder(const struct lull_night_files *nf, const char *name)
{
	char *path;

	return asprintf(&path, "%s/%s", nf->folder, name) < 0 ? NULL : path;
}

/* Until the buses have names, their captures are told apart by number. */
static char *capture_path(const struct lull_night_files *nf, unsigned bus)
{
	char name[32];

	(void)snprintf(name, sizeof name, ".capture-%u.pcap", bus);
	return in_folder(nf, name);
}

static FILE *open_file(const struct lull_night_files *nf, const char *name, char *err, size_t err_size)
{
	char *path = in_folder(nf, name);
	FILE *f = path ? fopen(path, nf->force ? "w" : "wx") : NULL;

	if (!f)
		(void)snprintf(err, err_size, "%s/%s: %s%s", nf->folder, name, strerror(errno),
			errno == EEXIST ? "; --force replaces it" : "");
	free(path);
	return f;
}

struct lull_night_files *lull_night_files_new(
	const char *folder, bool force, struct lull_progress *progress, char *err, size_t err_size)
{
	struct lull_night_files *nf = calloc(1, sizeof *nf);

	if (!nf || !(nf->folder = strdup(folder))) {
		(void)snprintf(err, err_size, "out of memory");
		free(nf);
		return NULL;
	}
	nf->force = force;
	nf->progress = progress;
	if (mkdir(folder, 0777) && errno != EEXIST) {
		(void)snprintf(err, err_size, "%s: %s", folder, strerror(errno));
		lull_night_files_free(nf);
		return NULL;
	}
	nf->clamp = open_file(nf, "clamp.csv", err, err_size);
	if (!nf->clamp) {
		lull_night_files_free(nf);
		return NULL;
	}
	(void)fputs("time,mV\n", nf->clamp);
	return nf;
}

static int open_capture(struct lull_night_files *nf, unsigned bus)
{
	char *path = capture_path(nf, bus);

	if (!path)
		return -ENOMEM;
	FILE *file = fopen(path, "w");

	free(path);
	return file ? lull_pcap_out_open(&nf->dump[bus], file) : -errno;
}

static int put_frame(void *ctx, const struct lull_frame *f)
{
	struct lull_night_files *nf = ctx;
	int r;

	if (f->bus >= LULL_BUS_MAX)
		return -EINVAL;
	if (!nf->dump[f->bus]) {
		r = open_capture(nf, f->bus);
		if (r)
			return r;
	}
	lull_pcap_out_frame(nf->dump[f->bus], f, f->t);
	lull_progress_step(nf->progress, 1, -1);
	return 0;
}

static int put_sample(void *ctx, const struct lull_sim_sample *s)
{
	const struct lull_night_files *nf = ctx;
	const struct lull_clamp *told = &nf->night->clamp;
	char at[LULL_WHEN];

	if (!told->dated)
		return fprintf(nf->clamp, "%.3f,%.3f\n", s->clamp_s, s->mV) < 0 ? -EIO : 0;
	lull_when_iso(told->start_utc_ns + (int64_t)(s->clamp_s * 1e9), 3, at);
	return fprintf(nf->clamp, "%s,%.3f\n", at, s->mV) < 0 ? -EIO : 0;
}

struct lull_sim_sink lull_night_files_sink(struct lull_night_files *nf, const struct lull_sim_night *night)
{
	nf->night = night;
	return (struct lull_sim_sink){.ctx = nf, .frame = put_frame, .current = put_sample};
}

const char *lull_night_files_capture(const struct lull_sim_night *night, unsigned bus, char *buf, size_t size)
{
	if (night->bus_count == 1)
		(void)snprintf(buf, size, "capture.pcap");
	else
		(void)snprintf(buf, size, "%s.pcap", night->bus_name[bus]);
	return buf;
}

static int close_capture(struct lull_night_files *nf, const struct lull_sim_night *night, unsigned bus,
	char *err, size_t err_size)
{
	char name[LULL_BUS_NAME + 8],
		*from = capture_path(nf, bus),
		*to = in_folder(nf, lull_night_files_capture(night, bus, name, sizeof name));
	int r = 0;

	if (!nf->dump[bus])
		r = open_capture(nf, bus); /* a bus that was never heard has an empty capture */
	if (!r)
		r = lull_pcap_out_flush(nf->dump[bus]);
	lull_pcap_out_close(nf->dump[bus]);
	nf->dump[bus] = NULL;
	if (!from || !to)
		r = -ENOMEM;
	else if (!r && !nf->force && access(to, F_OK) == 0)
		r = -EEXIST;
	else if (!r && rename(from, to))
		r = -errno;
	if (r && from)
		(void)unlink(from);
	if (r)
		(void)snprintf(err, err_size, "%s/%s: %s%s", nf->folder, name, strerror(-r),
			r == -EEXIST ? "; --force replaces it" : "");
	free(from);
	free(to);
	return r;
}

static int close_file(
	FILE *f, const struct lull_night_files *nf, const char *name, char *err, size_t err_size)
{
	int bad = ferror(f);

	if (fclose(f) || bad) {
		(void)snprintf(err, err_size, "%s/%s: cannot be written", nf->folder, name);
		return -EIO;
	}
	return 0;
}

static const char *iso(const struct lull_sim_night *night, lull_time t, char buf[static LULL_WHEN])
{
	return lull_when_iso(night->start_utc_ns + t, 6, buf);
}

static void put_marks(FILE *f, const struct lull_sim_night *night)
{
	char at[LULL_WHEN];
	size_t i;

	(void)fputs("time,mark\n", f);
	for (i = 0; i < night->marks.n; i++) {
		const struct lull_mark *m = &night->marks.at[i];

		if (m->text[0])
			(void)fprintf(f, "%s,%s\n", iso(night, m->t, at), m->text);
		else
			(void)fprintf(f, "%s,%s%s%s\n", iso(night, m->t, at),
				lull_mark_name((enum lull_mark_kind)m->kind), m->name[0] ? " " : "", m->name);
	}
}

static void put_coverage(FILE *f, const struct lull_sim_night *night)
{
	char from[LULL_WHEN], to[LULL_WHEN];
	size_t i;

	(void)fputs("bus,from,to,why\n", f);
	for (i = 0; i < night->coverage.n; i++) {
		const struct lull_coverage *c = &night->coverage.at[i];

		(void)fprintf(f, "%s,%s,%s,%s\n", c->bus < night->bus_count ? night->bus_name[c->bus] : "*",
			iso(night, c->from, from), iso(night, c->to, to),
			lull_coverage_name((enum lull_coverage_why)c->why));
	}
}

static void put_profile(FILE *f, const struct lull_sim_night *night)
{
	(void)fputs(night->profile ? night->profile : "", f);
}

int lull_night_files_finish(
	struct lull_night_files *nf, const struct lull_sim_night *night, char *err, size_t err_size)
{
	static const struct {
		const char *name;
		void (*put)(FILE *, const struct lull_sim_night *);
	} rest[] = {{"marks.csv", put_marks}, {"coverage.csv", put_coverage}, {"car.ini", put_profile},
		{"truth.json", lull_truth_write}};
	unsigned b;
	size_t i;
	int r = 0;

	for (b = 0; b < night->bus_count && !r; b++)
		r = close_capture(nf, night, b, err, err_size);
	if (!r) {
		r = close_file(nf->clamp, nf, "clamp.csv", err, err_size);
		nf->clamp = NULL;
	}
	for (i = 0; i < sizeof rest / sizeof rest[0] && !r; i++) {
		FILE *f = open_file(nf, rest[i].name, err, err_size);

		if (!f)
			return -EIO;
		rest[i].put(f, night);
		r = close_file(f, nf, rest[i].name, err, err_size);
	}
	nf->finished = !r;
	return r;
}

void lull_night_files_free(struct lull_night_files *nf)
{
	unsigned b;

	for (b = 0; b < LULL_BUS_MAX; b++) {
		char *path;

		if (!nf->dump[b])
			continue;
		lull_pcap_out_close(nf->dump[b]);
		path = capture_path(nf, b);
		if (path)
			(void)unlink(path);
		free(path);
	}
	if (nf->clamp) {
		char *path = in_folder(nf, "clamp.csv");

		(void)fclose(nf->clamp);
		if (path && !nf->finished)
			(void)unlink(path);
		free(path);
	}
	free(nf->folder);
	free(nf);
}
