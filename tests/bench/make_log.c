/* SPDX-License-Identifier: GPL-3.0-or-later */
/* make_log: an invented clamp log of many samples, 50 a second, and the traffic of the bus beside it: key on, settling, then a wake of 20 s
 * every 20 to 40 minutes. The log's clock is ahead by 1000 s and 20 ppm slow. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#define AHEAD_S 1000
#define SLOW 20e-6
#define KEY_S 60
#define SETTLED_S 300
#define WAKE_S 20

static uint32_t random_step(uint32_t *state)
{
	*state = *state * 1664525u + 1013904223u;
	return *state >> 8;
}

/* A repeatable noise within +-6 mA. */
static double noise(uint32_t *state)
{
	double sum = -2;

	for (int i = 0; i < 4; i++)
		sum += (double)random_step(state) / 16777216.0;
	return 3 * sum;
}

static double next_wake(double after, uint32_t *state)
{
	return after + 1200 + random_step(state) % 1200000 / 1e3;
}

/* One ID from an instant on, every period. */
struct sender {
	const char *id;
	double period, until, next;
};

static void frames(FILE *file, struct sender *s, size_t n, double to)
{
	for (;;) {
		size_t first = 0;

		for (size_t i = 1; i < n; i++) {
			if (s[i].next < s[first].next)
				first = i;
		}
		if (s[first].next >= to)
			return;
		(void)fprintf(file, "(%.6f) can0 %s#00\n", 1772750467 + s[first].next, s[first].id);
		s[first].next += s[first].period;
		if (s[first].next >= s[first].until)
			s[first].next = 1e12;
	}
}

static void write_bus(FILE *file, double end)
{
	struct sender s[] = {{"100", 0.1, KEY_S, 0}, {"200", 0.2, SETTLED_S, 0.031}, {"300", 0.5, SETTLED_S - 1, 0.077}};
	const size_t n = sizeof s / sizeof s[0];
	uint32_t state = 2;
	double wake = next_wake(SETTLED_S, &state);

	frames(file, s, n, 1e11);
	while (wake + WAKE_S < end) {
		for (size_t i = 1; i < n; i++) {
			s[i].next = wake + 0.1 * (double)i;
			s[i].until = wake + WAKE_S;
		}
		frames(file, s, n, 1e11);
		wake = next_wake(wake, &state);
	}
}

static void write_log(FILE *file, unsigned long samples)
{
	uint32_t state = 1, wakes = 2;
	double wake = next_wake(SETTLED_S, &wakes);

	(void)fputs("time_s,value_mV\n", file);
	for (unsigned long i = 0; i < samples; i++) {
		const double t = (double)i / 50 * (1 + SLOW);

		if (t >= wake + WAKE_S)
			wake = next_wake(wake, &wakes);
		const double mA = t < KEY_S ? 9000 : t < SETTLED_S ? 700 : t >= wake ? 1200 : 22;

		(void)fprintf(file, "%lu.%02lu,%.2f\n", AHEAD_S + i / 50, i % 50 * 2, (mA + noise(&state)) / 10);
	}
}

int main(int argc, char **argv)
{
	const unsigned long samples = argc > 1 ? strtoul(argv[1], NULL, 10) : 0;
	FILE *log = argc > 3 ? fopen(argv[2], "w") : NULL, *bus = argc > 3 ? fopen(argv[3], "w") : NULL;

	if (!samples || !log || !bus) {
		(void)fputs("usage: make_log SAMPLES LOG BUS\n", stderr);
		return 2;
	}
	write_log(log, samples);
	write_bus(bus, (double)samples / 50 * (1 + SLOW));
	return fclose(log) | fclose(bus) ? 1 : 0;
}
