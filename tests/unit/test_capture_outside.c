/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_capture_outside: open captures and written logs, counted and compared frame by frame with what tshark,
 * python-can and awk read in the same files. Skipped, and says so, where the files or the programs are absent. */
#include <source/capture.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#define IDS 4096

static char err[512];
static char folder[] = "/tmp/lull-outside-XXXXXX";

/* key: bus number above bit 32, ID below. */
struct count {
	uint64_t key;
	unsigned long n;
};
struct counts {
	struct count at[IDS];
	size_t n;
	unsigned long total;
};
static struct counts ours, theirs;

static void add(struct counts *c, uint64_t key, unsigned long n)
{
	size_t i = 0;
	while (i < c->n && c->at[i].key != key)
		i++;
	if (i == c->n) {
		assert_true(i < IDS);
		c->at[c->n++] = (struct count){key, 0};
	}
	c->at[i].n += n;
	c->total += n;
}

static void compare(const char *what)
{
	if (ours.total != theirs.total || ours.n != theirs.n)
		fail_msg("%s: %lu frames of %zu IDs here, %lu of %zu there", what, ours.total, ours.n,
			theirs.total, theirs.n);
	for (size_t i = 0; i < ours.n; i++) {
		size_t k = 0;
		while (k < theirs.n && theirs.at[k].key != ours.at[i].key)
			k++;
		if (k == theirs.n || theirs.at[k].n != ours.at[i].n)
			fail_msg("%s: ID %llx: %lu here, %lu there", what, (unsigned long long)ours.at[i].key,
				ours.at[i].n, k == theirs.n ? 0 : theirs.at[k].n);
	}
}

static const char *shared(const char *name, char *path, size_t size)
{
	const char *base = getenv("LULL_SHARED");
	snprintf(path, size, "%s/data/%s", base && *base ? base : "../shared", name);
	if (access(path, R_OK) == 0)
		return path;
	print_message("SKIPPED: %s is not there (LULL_SHARED names the folder)\n", path);
	skip();
	return NULL;
}

__attribute__((format(printf, 1, 2))) static FILE *run(const char *format, ...)
{
	char command[2048];
	va_list list;
	va_start(list, format);
	vsnprintf(command, sizeof command, format, list);
	va_end(list);
	FILE *f = popen(command, "r");
	assert_non_null(f);
	return f;
}

static void need(const char *what, const char *test)
{
	FILE *f = run("(%s) >/dev/null 2>&1 && echo yes", test);
	char answer[8] = "";
	const bool there = fgets(answer, sizeof answer, f) && !strncmp(answer, "yes", 3);
	pclose(f);
	if (!there) {
		print_message("SKIPPED: %s is not there\n", what);
		skip();
	}
}

/* Debian's own interpreter: another one in front of it in PATH may lack Debian's modules. */
#define PYTHON "/usr/bin/python3"

/* "KEY COUNT" lines, KEY in hexadecimal. */
static void read_counts(FILE *f)
{
	char line[128];
	memset(&theirs, 0, sizeof theirs);
	while (fgets(line, sizeof line, f)) {
		char *end;
		const unsigned long long key = strtoull(line, &end, 16);
		add(&theirs, key, strtoul(end, NULL, 10));
	}
	assert_int_equal(pclose(f), 0);
}

static void count_ours(const char *path)
{
	static struct lull_frame frames[1000];
	struct lull_capture *c = lull_capture_open(path, NULL, NULL, err, sizeof err);
	if (!c)
		fail_msg("%s", err);
	memset(&ours, 0, sizeof ours);
	size_t n;
	while ((n = lull_capture_read(c, frames, 1000)) > 0) {
		for (size_t i = 0; i < n; i++) {
			const char *bus = lull_capture_bus_name(c, frames[i].bus);
			const uint64_t number = (uint64_t)strtoul(bus + strcspn(bus, "0123456789"), NULL, 10);
			add(&ours, number << 32 | (frames[i].id & LULL_ID_BITS), 1);
		}
	}
	assert_null(lull_capture_damage(c));
	assert_int_equal(lull_capture_skipped(c, NULL), 0);
	lull_capture_close(c);
}

static void test_pcap_against_tshark(void **state)
{
	(void)state;
	static const char *const files[] = {"nmea2000/can0-1.pcap", "nmea2000/can0-2.pcap"};
	char path[512];
	need("tshark", "command -v tshark");
	for (size_t i = 0; i < sizeof files / sizeof *files; i++) {
		shared(files[i], path, sizeof path);
		read_counts(run(
			"tshark -r '%s' -T fields -e can.id 2>/dev/null | awk '{n[$1]++} END {for (i in n) "
			"printf \"%%x %%d\\n\", i, n[i]}'",
			path));
		count_ours(path);
		assert_true(ours.total > 40000);
		compare(files[i]);
	}
}

static void test_csv_against_awk(void **state)
{
	(void)state;
	char path[512];
	shared("kona_ev/230112-7-2019-pcan-ccan-power-off-on-ready-off.csv", path, sizeof path);
	read_counts(run("awk -F, 'NR > 1 && NF {n[$4 $2]++} END {for (i in n) print i, n[i]}' '%s'", path));
	count_ours(path);
	/* Totals from the data set's description; an ID on two buses counts twice. */
	assert_int_equal(ours.total, 39546);
	assert_int_equal(ours.n, 153);
	compare(path);
}

static void test_zipped_csv_against_awk(void **state)
{
	(void)state;
	char path[512], csv[sizeof folder + 16];
	need("unzip", "command -v unzip");
	shared("volvo_v40/V40_03.can.zip", path, sizeof path);
	snprintf(csv, sizeof csv, "%s/frames.csv", folder);
	assert_int_equal(pclose(run("unzip -p '%s' >'%s'", path, csv)), 0);
	read_counts(run("awk -F, 'NR > 1 && NF {n[$2]++} END {for (i in n) print i, n[i]}' '%s'", csv));
	count_ours(csv);
	/* Totals from the data set's description. */
	assert_int_equal(ours.total, 245144);
	assert_int_equal(ours.n, 50);
	compare(path);
	unlink(csv);
}

/* Frame by frame: python-can prints what it reads from its own log, one line a frame; the text here is ours. */
static void compare_lines(const char *path, FILE *other)
{
	static struct lull_frame frames[500];
	struct lull_capture *c = lull_capture_open(path, NULL, NULL, err, sizeof err);
	if (!c)
		fail_msg("%s", err);
	size_t n, total = 0;
	while ((n = lull_capture_read(c, frames, 500)) > 0) {
		for (size_t i = 0; i < n; i++, total++) {
			const struct lull_frame *f = &frames[i];
			char mine[256], line[256];
			int at = snprintf(mine, sizeof mine, "%.6f %x %d%d%d%d %d ", (double)f->t / 1e9,
				(unsigned)(f->id & LULL_ID_BITS), (f->id & LULL_ID_EXTENDED) != 0,
				(f->flags & LULL_FRAME_REMOTE) != 0, (f->flags & LULL_FRAME_FD) != 0,
				(f->flags & LULL_FRAME_BRS) != 0, f->len);
			for (unsigned k = 0; k < f->len && !(f->flags & LULL_FRAME_REMOTE); k++)
				at += snprintf(mine + at, sizeof mine - (size_t)at, "%02x", f->data[k]);
			assert_non_null(fgets(line, sizeof line, other));
			line[strcspn(line, "\n")] = 0;
			assert_string_equal(mine, line);
		}
	}
	char more[16];
	assert_null(fgets(more, sizeof more, other));
	assert_int_equal(pclose(other), 0);
	assert_true(total >= 2000);
	assert_null(lull_capture_damage(c));
	assert_int_equal(lull_capture_skipped(c, NULL), 0);
	lull_capture_close(c);
}

static const char writer[] =
	"import can, random, sys\n"
	"random.seed(7)\n"
	"fd_too = sys.argv[2] == 'fd'\n"
	"with can.Logger(sys.argv[1]) as log:\n"
	"    for i in range(2000):\n"
	"        wide = random.random() < .5\n"
	"        fd = fd_too and random.random() < .3\n"
	"        remote = not fd and random.random() < .1\n"
	"        n = random.choice([0, 1, 7, 8, 12, 16, 20, 24, 32, 48, 64] if fd else list(range(9)))\n"
	"        log(can.Message(timestamp=1700000000 + i / 64, channel='can0', is_extended_id=wide,\n"
	"            arbitration_id=random.randrange(1 << (29 if wide else 11)), is_remote_frame=remote,\n"
	"            is_fd=fd, bitrate_switch=fd and random.random() < .5, dlc=n,\n"
	"            data=None if remote else bytes(random.randrange(256) for _ in range(n))))\n";
static const char reader[] =
	"import can, sys\n"
	"for m in can.LogReader(sys.argv[1]):\n"
	"    print(f'{m.timestamp:.6f} {m.arbitration_id:x} {m.is_extended_id:d}{m.is_remote_frame:d}'\n"
	"          f'{m.is_fd:d}{m.bitrate_switch:d} {m.dlc} {bytes(m.data).hex()}')\n";

static void script(const char *name, const char *text, char *path, size_t size)
{
	snprintf(path, size, "%s/%s", folder, name);
	FILE *f = fopen(path, "w");
	assert_non_null(f);
	fputs(text, f);
	assert_int_equal(fclose(f), 0);
}

static void against_python_can(const char *name, const char *kind)
{
	char write[64], read[64], log[64];
	need("python3-can", PYTHON " -c 'import can'");
	script("writer.py", writer, write, sizeof write);
	script("reader.py", reader, read, sizeof read);
	snprintf(log, sizeof log, "%s/%s", folder, name);
	assert_int_equal(pclose(run(PYTHON " %s %s %s", write, log, kind)), 0);
	compare_lines(log, run(PYTHON " %s %s", read, log));
	unlink(log);
	unlink(write);
	unlink(read);
}

static void test_text_log_against_python_can(void **state)
{
	(void)state;
	against_python_can("frames.log", "fd");
}

/* Its CSV holds payloads in base64. */
static void test_csv_against_python_can(void **state)
{
	(void)state;
	against_python_can("frames.csv", "classical");
}

/* The capture as tshark sees it, written as a text log and packed, must read as the capture does. */
static void test_same_frames_in_every_form(void **state)
{
	(void)state;
	static struct lull_frame a[500], b[500];
	static const char *const forms[] = {"cat", "gzip -c", "zstd -qc"};
	char path[512], log[64], other[64];
	need("tshark, gzip and zstd", "command -v tshark && command -v gzip && command -v zstd");
	shared("nmea2000/can0-2.pcap", path, sizeof path);
	snprintf(log, sizeof log, "%s/frames.log", folder);
	snprintf(other, sizeof other, "%s/frames", folder);
	assert_int_equal(
		pclose(run(
			"tshark -r '%s' -T fields -E separator=, -e frame.time_epoch -e can.id -e can.len -e "
			"data.data 2>/dev/null | awk -F, '{printf \"(%%s) can0 %%08X#%%s\\n\", $1, $2, $4}' "
			">%s",
			path, log)),
		0);
	for (size_t k = 0; k < sizeof forms / sizeof *forms; k++) {
		assert_int_equal(pclose(run("%s <%s >%s", forms[k], log, other)), 0);
		struct lull_capture *x = lull_capture_open(path, NULL, NULL, err, sizeof err);
		struct lull_capture *y = lull_capture_open(other, NULL, NULL, err, sizeof err);
		if (!x || !y)
			fail_msg("%s", err);
		assert_string_equal(lull_capture_kind(y), "text log");
		size_t n, total = 0;
		while ((n = lull_capture_read(x, a, 500)) > 0) {
			assert_int_equal(lull_capture_read(y, b, 500), n);
			for (size_t i = 0; i < n; i++) {
				assert_true(a[i].t == b[i].t);
				assert_int_equal(a[i].id, b[i].id);
				/* tshark may read the payload as a higher protocol, and then prints no data. */
				if (b[i].len) {
					assert_int_equal(a[i].len, b[i].len);
					assert_memory_equal(a[i].data, b[i].data, a[i].len);
				}
			}
			total += n;
		}
		assert_int_equal(lull_capture_read(y, b, 500), 0);
		assert_null(lull_capture_damage(y));
		assert_true(total > 40000);
		lull_capture_close(x);
		lull_capture_close(y);
	}
	unlink(other);
	unlink(log);
}

/* Two captures in one pcapng, an interface each, as mergecap writes them: whose packet is whose. */
static void test_interfaces_against_tshark(void **state)
{
	(void)state;
	char first[512], second[512], merged[64];
	need("tshark and mergecap", "command -v tshark && command -v mergecap");
	shared("nmea2000/can0-1.pcap", first, sizeof first);
	shared("nmea2000/can0-2.pcap", second, sizeof second);
	snprintf(merged, sizeof merged, "%s/merged.pcapng", folder);
	assert_int_equal(
		pclose(run("mergecap -F pcapng -I none -w %s '%s' '%s' 2>/dev/null", merged, first, second)),
		0);
	read_counts(run("tshark -r %s -T fields -e frame.interface_id -e can.id 2>/dev/null | awk '{n[$1 \" "
			"\" $2]++} END "
			"{for (k in n) {split(k, p, \" \"); printf \"%%x%%08x %%d\\n\", p[1], p[2], n[k]}}'",
		merged));
	count_ours(merged);
	assert_true(ours.total > 90000);
	compare(merged);
	unlink(merged);
}

static int make_folder(void **state)
{
	(void)state;
	return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
	(void)state;
	return rmdir(folder);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_pcap_against_tshark),
		cmocka_unit_test(test_csv_against_awk),
		cmocka_unit_test(test_zipped_csv_against_awk),
		cmocka_unit_test(test_text_log_against_python_can),
		cmocka_unit_test(test_csv_against_python_can),
		cmocka_unit_test(test_same_frames_in_every_form),
		cmocka_unit_test(test_interfaces_against_tshark),
	};
	return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
