/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_live: live sources over pseudo-terminals, pipes and loopback; a lost instrument is lost, never zero. Time is made up: no
 * test waits for it. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <netinet/in.h>
#include <poll.h>
#include <source/live_impl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define START (1000 * LULL_SEC)

static struct lull_live_event e;

static struct lull_live_spec spec(enum lull_live_kind kind, const char *device)
{
	struct lull_live_spec s = lull_live_spec_default();

	s.kind = kind;
	(void)snprintf(s.device, sizeof s.device, "%s", device);
	(void)snprintf(s.channel, sizeof s.channel, "voltage0");
	s.mV_per_A = 100;
	return s;
}

static void put(int fd, const char *text)
{
	assert_int_equal(write(fd, text, strlen(text)), strlen(text));
}

/* Waits until the descriptor is ready as the source wants it. */
static void ready(const struct lull_live *l)
{
	struct pollfd p = {.fd = lull_live_fd(l), .events = lull_live_poll(l)};

	assert_in_range(p.fd, 0, 65535);
	assert_int_equal(poll(&p, 1, -1), 1);
}

static void expect(struct lull_live *l, lull_time now, enum lull_live_what what, int32_t uA)
{
	assert_true(lull_live_step(l, now, &e));
	if (e.what != what)
		fail_msg("event %d instead of %d: %s", e.what, what, e.why);
	if (what == LULL_LIVE_READING)
		assert_int_equal(e.uA, uA);
}

/* --- lines --- */

static void test_parse(void **unused)
{
	static const struct {
		const char *text;
		bool bad, timed;
		double value;
		int64_t time_ns;
		enum lull_clamp_unit unit;
		int over;
	} cases[] = {
		{"12.3", .value = 12.3},
		{"  -0.4 mV\r", .value = -0.4, .unit = LULL_CLAMP_MV},
		{"0.4mV", .value = 0.4, .unit = LULL_CLAMP_MV},
		{"1.5E-3", .value = 1.5e-3},
		{"0,4", .value = 0.4}, /* a decimal comma, not 0 and 4 */
		{"17.25 12.3", .timed = true, .time_ns = 17250000000, .value = 12.3},
		{"17.25,12.3", .timed = true, .time_ns = 17250000000, .value = 12.3},
		{"17, 12", .timed = true, .time_ns = 17000000000, .value = 12},
		{"17;12,5", .timed = true, .time_ns = 17000000000, .value = 12.5},
		{"1772750000.5\t-3 mA", .timed = true, .time_ns = 1772750000500000000, .value = -3, .unit = LULL_CLAMP_MA},
		{"OL", .over = 1},
		{"-OL", .over = -1},
		{"17.25 OL", .timed = true, .time_ns = 17250000000, .over = 1},
		{"", .bad = true},
		{"   ", .bad = true},
		{"hello", .bad = true},
		{"12.3.4", .bad = true},
		{"12.3 kg", .bad = true},
		{"1 2 3", .bad = true},
		{"nan", .bad = true},
		{"0x10", .bad = true},
		{"--5", .bad = true},
		{"noon 12.3", .bad = true},
	};
	size_t i;

	(void)unused;
	for (i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		struct lull_live_line f;
		int r = lull_live_line_parse(cases[i].text, strlen(cases[i].text), &f);

		if (cases[i].bad != (r != 0))
			fail_msg("'%s': %d", cases[i].text, r);
		if (r)
			continue;
		if (f.timed != cases[i].timed || f.time_ns != cases[i].time_ns || fabs(f.value - cases[i].value) > 1e-12 ||
			f.unit != cases[i].unit || f.over != cases[i].over)
			fail_msg("'%s': timed %d %lld value %g unit %d over %d", cases[i].text, f.timed, (long long)f.time_ns, f.value,
				f.unit, f.over);
	}
}

/* Readings that come in bursts get the times at which they were taken; a clock that jumps begins anew. */
static void test_clock(void **unused)
{
	struct lull_live_clock c = {0};
	lull_time t;
	int i;

	(void)unused;
	assert_int_equal(lull_live_clock_map(&c, 0, START), START);
	/* Ten more, all delivered at once two thirds of a second late. */
	for (i = 1; i <= 10; i++) {
		t = lull_live_clock_map(&c, i * 100 * LULL_MS, START + 1600 * LULL_MS);
		assert_in_range(t - (START + i * 100 * LULL_MS), 0, LULL_MS); /* creep: 200 ppm of 1.6 s */
	}
	t = lull_live_clock_map(&c, 3600 * LULL_SEC, START + 2 * LULL_SEC);
	assert_int_equal(t, START + 2 * LULL_SEC);
	t = lull_live_clock_map(&c, 5 * LULL_SEC, START + 3 * LULL_SEC);
	assert_int_equal(t, START + 3 * LULL_SEC);
	t = lull_live_clock_map(&c, INT64_MIN, START + 4 * LULL_SEC);
	assert_int_equal(t, START + 4 * LULL_SEC);
	t = lull_live_clock_map(&c, INT64_MAX, START + 5 * LULL_SEC);
	assert_true(t <= START + 5 * LULL_SEC);
}

static void test_pipe(void **unused)
{
	char path[] = "/tmp/test_live.XXXXXX", fifo[64];
	struct lull_live_spec s;
	struct lull_live *l;
	int fd;

	(void)unused;
	assert_non_null(mkdtemp(path));
	(void)snprintf(fifo, sizeof fifo, "%s/clamp", path);
	s = spec(LULL_LIVE_LINES, fifo);
	l = lull_live_open(&s, START);
	assert_non_null(l);
	/* Not there yet: lost at once, said once, tried again. */
	expect(l, START, LULL_LIVE_LOST, 0);
	assert_non_null(strstr(e.why, "clamp"));
	assert_false(lull_live_step(l, START, &e));
	assert_int_equal(lull_live_fd(l), -1);
	assert_int_equal(lull_live_due(l), START + 5 * LULL_SEC);
	assert_int_equal(mkfifo(fifo, 0600), 0);
	assert_false(lull_live_step(l, START + 5 * LULL_SEC, &e));
	fd = open(fifo, O_WRONLY | O_NONBLOCK);
	assert_in_range(fd, 0, 65535);
	put(fd, "1.5\n2.5 mV\n\nrubbish\n-300 mA\nOL\n3.");
	ready(l);
	/* 1.5 mV at 100 mV/A is 15 mA. */
	expect(l, START + 6 * LULL_SEC, LULL_LIVE_BACK, 0);
	expect(l, START + 6 * LULL_SEC, LULL_LIVE_READING, 15000);
	expect(l, START + 6 * LULL_SEC, LULL_LIVE_READING, 25000);
	expect(l, START + 6 * LULL_SEC, LULL_LIVE_READING, -300000);
	expect(l, START + 6 * LULL_SEC, LULL_LIVE_READING, INT32_MAX);
	assert_true(e.over);
	assert_false(lull_live_step(l, START + 6 * LULL_SEC, &e)); /* half a line is none */
	assert_int_equal(lull_live_senseless(l), 1);
	put(fd, "5\n");
	expect(l, START + 7 * LULL_SEC, LULL_LIVE_READING, 35000);
	/* The writer goes: silence, then lost, and no reading of zero. */
	(void)close(fd);
	assert_false(lull_live_step(l, START + 11 * LULL_SEC, &e));
	assert_int_equal(lull_live_due(l), START + 12 * LULL_SEC);
	expect(l, START + 12 * LULL_SEC, LULL_LIVE_LOST, 0);
	assert_non_null(strstr(e.why, "no reading for 5.0 s"));
	assert_false(lull_live_step(l, START + 12 * LULL_SEC, &e));
	/* It comes back. */
	assert_false(lull_live_step(l, START + 18 * LULL_SEC, &e));
	fd = open(fifo, O_WRONLY | O_NONBLOCK);
	put(fd, "0\n");
	expect(l, START + 19 * LULL_SEC, LULL_LIVE_BACK, 0);
	expect(l, START + 19 * LULL_SEC, LULL_LIVE_READING, 0);
	(void)close(fd);
	lull_live_close(l);
	/* A file that is no pipe cannot be live. */
	(void)unlink(fifo);
	fd = open(fifo, O_WRONLY | O_CREAT, 0600);
	(void)close(fd);
	l = lull_live_open(&s, START);
	expect(l, START, LULL_LIVE_LOST, 0);
	assert_non_null(strstr(e.why, "no pipe"));
	lull_live_close(l);
	(void)unlink(fifo);
	(void)rmdir(path);
}

static void test_long_lines(void **unused)
{
	static char text[3000];
	char path[] = "/tmp/test_live.XXXXXX", fifo[64];
	struct lull_live_spec s;
	struct lull_live *l;
	int fd;

	(void)unused;
	assert_non_null(mkdtemp(path));
	(void)snprintf(fifo, sizeof fifo, "%s/clamp", path);
	assert_int_equal(mkfifo(fifo, 0600), 0);
	s = spec(LULL_LIVE_LINES, fifo);
	s.invert = true;
	l = lull_live_open(&s, START);
	assert_false(lull_live_step(l, START, &e));
	fd = open(fifo, O_WRONLY | O_NONBLOCK);
	memset(text, '7', sizeof text - 1);
	put(fd, text);
	put(fd, "\n4\n");
	expect(l, START, LULL_LIVE_READING, -40000);
	assert_false(lull_live_step(l, START, &e));
	assert_int_equal(lull_live_senseless(l), 1);
	/* Two readings of the same instant stay apart and in order. */
	put(fd, "5\n6\n");
	expect(l, START, LULL_LIVE_READING, -50000);
	expect(l, START, LULL_LIVE_READING, -60000);
	assert_true(e.t > START);
	(void)close(fd);
	lull_live_close(l);
	(void)unlink(fifo);
	(void)rmdir(path);
}

/* --- SCPI --- */

/* A serial line: what the meter was asked, and what it answers. */
static void test_serial(void **unused)
{
	struct lull_live_spec s;
	struct lull_live *l;
	char asked[64] = "";
	struct termios t;
	int master = posix_openpt(O_RDWR | O_NOCTTY);
	lull_time now = START;
	ssize_t n;

	(void)unused;
	if (master < 0 || grantpt(master) || unlockpt(master)) {
		print_message("no pseudo-terminals here\n");
		skip();
	}
	s = spec(LULL_LIVE_SCPI, ptsname(master));
	s.baud = 19200;
	l = lull_live_open(&s, now);
	assert_false(lull_live_step(l, now, &e));
	n = read(master, asked, sizeof asked - 1);
	assert_true(n > 0);
	assert_string_equal(asked, "MEAS:VOLT:DC?\n");
	assert_int_equal(tcgetattr(master, &t), 0);
	assert_int_equal(cfgetispeed(&t), B19200);
	assert_int_equal(t.c_lflag & (ECHO | ICANON), 0);
	/* 1.25 mV at 100 mV/A; half the way between question and answer. */
	put(master, "+1.250000E-03\r\n");
	ready(l);
	now += 100 * LULL_MS;
	expect(l, now, LULL_LIVE_READING, 12500);
	assert_int_equal(e.t, now - 50 * LULL_MS);
	/* Not asked again before its time. */
	assert_false(lull_live_step(l, now, &e));
	assert_int_equal(lull_live_due(l), START + 200 * LULL_MS);
	now = START + 200 * LULL_MS;
	assert_false(lull_live_step(l, now, &e));
	assert_true(read(master, asked, sizeof asked - 1) > 0);
	/* SCPI's infinity is an overload, its not-a-number no reading. */
	put(master, "9.90000000E+37\n");
	ready(l);
	expect(l, now, LULL_LIVE_READING, INT32_MAX);
	assert_true(e.over);
	now += 200 * LULL_MS;
	assert_false(lull_live_step(l, now, &e));
	put(master, "9.91E37\n");
	ready(l);
	assert_false(lull_live_step(l, now, &e));
	assert_int_equal(lull_live_senseless(l), 1);
	/* No answer: asked anew after 3 s, lost after 5, and a late answer then is none. */
	now += 200 * LULL_MS;
	assert_false(lull_live_step(l, now, &e));
	now += 3 * LULL_SEC;
	assert_false(lull_live_step(l, now, &e));
	assert_true(read(master, asked, sizeof asked - 1) > 0);
	now += 2 * LULL_SEC;
	expect(l, now, LULL_LIVE_LOST, 0);
	lull_live_close(l);
	/* Unplugged. */
	l = lull_live_open(&s, now);
	assert_false(lull_live_step(l, now, &e));
	(void)close(master);
	expect(l, now, LULL_LIVE_LOST, 0);
	assert_int_equal(lull_live_fd(l), -1);
	lull_live_close(l);
}

/* A port that another line discipline has than that of terminals is a driver's, such as a CAN adapter's: it gets no byte and keeps its
 * rate. N_NULL stands for it here; tests/bus/link.test has the CAN driver's own. */
static void test_port_of_a_driver(void **unused)
{
	const int null_discipline = 27; /* N_NULL, linux/tty.h */
	int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK), slave;
	struct lull_live_spec s;
	struct lull_live *l;
	struct termios before, after;
	char byte;

	(void)unused;
	slave = master < 0 || grantpt(master) || unlockpt(master) ? -1 : open(ptsname(master), O_RDWR | O_NOCTTY);
	if (slave < 0 || ioctl(slave, TIOCSETD, &null_discipline)) {
		print_message("no line discipline to set here\n");
		skip();
	}
	s = spec(LULL_LIVE_SCPI, ptsname(master));
	s.baud = 19200;
	assert_int_equal(tcgetattr(master, &before), 0);
	l = lull_live_open(&s, START);
	expect(l, START, LULL_LIVE_LOST, 0);
	assert_non_null(strstr(e.why, "has this port (line discipline 27)"));
	assert_int_equal(tcgetattr(master, &after), 0);
	assert_int_equal(cfgetospeed(&before), cfgetospeed(&after));
	assert_int_equal(before.c_lflag, after.c_lflag);
	assert_true(read(master, &byte, 1) < 0);
	lull_live_close(l);
	s.kind = LULL_LIVE_LINES;
	l = lull_live_open(&s, START);
	expect(l, START, LULL_LIVE_LOST, 0);
	lull_live_close(l);
	(void)close(slave);
	(void)close(master);
}

static void test_tcp(void **unused)
{
	struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
	socklen_t size = sizeof a;
	int listener = socket(AF_INET, SOCK_STREAM, 0), peer;
	struct lull_live_spec s;
	struct lull_live *l;
	char device[64], asked[64] = "";

	(void)unused;
	if (listener < 0 || bind(listener, (struct sockaddr *)&a, size) || listen(listener, 1) ||
		getsockname(listener, (struct sockaddr *)&a, &size)) {
		print_message("no loopback here\n");
		skip();
	}
	(void)snprintf(device, sizeof device, "tcp:127.0.0.1:%u", ntohs(a.sin_port));
	s = spec(LULL_LIVE_SCPI, device);
	(void)snprintf(s.query, sizeof s.query, "READ?");
	l = lull_live_open(&s, START);
	assert_false(lull_live_step(l, START, &e));
	peer = accept(listener, NULL, NULL);
	assert_in_range(peer, 0, 65535);
	if (lull_live_poll(l) & POLLOUT) {
		ready(l);
		assert_false(lull_live_step(l, START, &e));
	}
	assert_true(read(peer, asked, sizeof asked - 1) > 0);
	assert_string_equal(asked, "READ?\n");
	put(peer, "-2.0E-3,1.0E-6\n"); /* the first of several counts */
	ready(l);
	expect(l, START, LULL_LIVE_READING, -20000);
	/* An answer that nobody asked for is none. */
	put(peer, "5\n");
	ready(l);
	assert_false(lull_live_step(l, START, &e));
	assert_int_equal(lull_live_senseless(l), 1);
	(void)close(peer);
	(void)close(listener);
	ready(l);
	expect(l, START + LULL_SEC / 10, LULL_LIVE_LOST, 0);
	assert_non_null(strstr(e.why, device));
	/* Nobody listens any more: still lost, without saying it again. */
	assert_false(lull_live_step(l, START + 6 * LULL_SEC, &e));
	lull_live_close(l);
	/* A name would have to be looked up. */
	(void)snprintf(s.device, sizeof s.device, "tcp:meter.example:5025");
	l = lull_live_open(&s, START);
	expect(l, START, LULL_LIVE_LOST, 0);
	assert_non_null(strstr(e.why, "in numbers"));
	lull_live_close(l);
}

/* --- ADC --- */

static int reads;

static int adc_open(void **self, const struct lull_live_spec *s, char *why, size_t size)
{
	(void)s, (void)why, (void)size;
	*self = &reads;
	return 0;
}

/* Two good readings, then the bus hangs for good. */
static int adc_read(void *self, double *value, enum lull_clamp_unit *unit, char *why, size_t size)
{
	int *n = self;

	*unit = LULL_CLAMP_MV;
	*value = 0.5 * ++*n;
	if (*n <= 2)
		return 0;
	(void)snprintf(why, size, "it hangs");
	return -EIO;
}

static void adc_close(void *self)
{
	(void)self;
}

static int open_fake(void **self, const struct lull_live_spec *s, lull_time now, char *why, size_t size)
{
	static const struct lull_adc_ops fake = {.open = adc_open, .read = adc_read, .close = adc_close};

	(void)now;
	return lull_adc_open(self, s, &fake, why, size);
}

static lull_time boot_ns(void)
{
	struct timespec t;

	assert_int_equal(clock_gettime(CLOCK_BOOTTIME, &t), 0);
	return t.tv_sec * LULL_SEC + t.tv_nsec;
}

static void wait_for(struct lull_live *l, enum lull_live_what what, int32_t uA)
{
	while (!lull_live_step(l, boot_ns(), &e))
		ready(l);
	assert_int_equal(e.what, what);
	if (what == LULL_LIVE_READING)
		assert_int_equal(e.uA, uA);
}

static void test_adc(void **unused)
{
	struct lull_live_spec s = spec(LULL_LIVE_IIO, "ads1015");
	struct lull_live_ops ops = lull_live_iio;
	struct lull_live *l;

	(void)unused;
	ops.open = open_fake;
	s.period_ns = 10 * LULL_MS;
	s.divider = 2;
	s.lost_ns = 10 * LULL_MIN; /* a busy machine is no lost instrument here */
	l = lull_live_open_with(&s, boot_ns(), &ops);
	wait_for(l, LULL_LIVE_READING, 10000);
	wait_for(l, LULL_LIVE_READING, 20000);
	wait_for(l, LULL_LIVE_LOST, 0);
	assert_string_equal(e.why, "it hangs");
	lull_live_close(l);
	/* The real library on a machine without that converter. */
	(void)snprintf(s.device, sizeof s.device, "no-such-adc");
	l = lull_live_open(&s, boot_ns());
	wait_for(l, LULL_LIVE_LOST, 0);
	assert_non_null(strstr(e.why, "IIO") ? strstr(e.why, "IIO") : strstr(e.why, "no-such-adc"));
	lull_live_close(l);
}

static void test_spec(void **unused)
{
	struct lull_live_spec s = spec(LULL_LIVE_SCPI, "/dev/ttyUSB0");
	enum lull_live_kind k;
	char err[160];

	(void)unused;
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), 0);
	s.mV_per_A = (double)NAN;
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), -EINVAL);
	assert_non_null(strstr(err, "scale"));
	s.unit = LULL_CLAMP_A;
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), 0);
	(void)snprintf(s.query, sizeof s.query, "A?\nB?");
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), -EINVAL);
	(void)snprintf(s.query, sizeof s.query, "t1232AABB?");
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), -EINVAL);
	assert_non_null(strstr(err, "write a SCPI query"));
	assert_null(lull_live_open(&s, START));
	s = spec(LULL_LIVE_IIO, "ads1115");
	s.channel[0] = 0;
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), -EINVAL);
	s = spec(LULL_LIVE_LINES, "");
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), -EINVAL);
	assert_null(lull_live_open(&s, START));
	s = spec(LULL_LIVE_LINES, "/x");
	s.period_ns = 0;
	assert_int_equal(lull_live_spec_check(&s, err, sizeof err), -EINVAL);
	assert_int_equal(lull_live_kind_parse("SCPI", &k), 0);
	assert_int_equal(k, LULL_LIVE_SCPI);
	assert_int_equal(lull_live_kind_parse("analog", &k), -EINVAL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(test_parse), cmocka_unit_test(test_clock), cmocka_unit_test(test_pipe),
		cmocka_unit_test(test_long_lines), cmocka_unit_test(test_serial), cmocka_unit_test(test_port_of_a_driver), cmocka_unit_test(test_tcp), cmocka_unit_test(test_adc),
		cmocka_unit_test(test_spec)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
