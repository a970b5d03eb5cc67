/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_play: plays a text log onto CAN interfaces of a guest, each frame at its own time, and runs commands between
 * them. Only tests send; the product never does.
 * usage: can_play [-s SPEED] [-i IFACE] [-t STAMPS] LOG
 *   lines  (SECONDS) IFACE ID#DATA | ID##FDATA | ID#R   three digits are a standard ID, eight an extended one, bit 29 an
 *          error frame;  (SECONDS) ! COMMAND   is run by the shell, and waited for
 *   -i     takes this interface, whatever the log says
 *   -t     writes for each frame the instant (CLOCK_BOOTTIME ns) at which it was sent */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define MAX_IFACES 8

struct iface {
	char name[IFNAMSIZ];
	int fd;
};

static struct iface ifaces[MAX_IFACES];
static unsigned iface_count;

static int open_iface(const char *name)
{
	int fd = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC, CAN_RAW), on = 1;
	struct sockaddr_can addr = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(name)};

	if (fd < 0 || !addr.can_ifindex || bind(fd, (struct sockaddr *)&addr, sizeof(addr))) {
		fprintf(stderr, "can_play: %s: %s\n", name, strerror(errno));
		exit(1);
	}
	/* Deaf: what it never reads must not fill its queue. */
	(void)setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FILTER, &on, 0);
	(void)setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof(on));
	return fd;
}

static struct iface *iface_of(const char *name)
{
	for (unsigned i = 0; i < iface_count; i++)
		if (!strcmp(ifaces[i].name, name))
			return &ifaces[i];
	if (iface_count == MAX_IFACES) {
		fprintf(stderr, "can_play: more than %d interfaces\n", MAX_IFACES);
		exit(1);
	}
	struct iface *iface = &ifaces[iface_count++];

	(void)snprintf(iface->name, sizeof(iface->name), "%s", name);
	iface->fd = open_iface(name);
	return iface;
}

static int digit(char c)
{
	return c >= '0' && c <= '9'    ? c - '0'
		: c >= 'A' && c <= 'F' ? c - 'A' + 10
		: c >= 'a' && c <= 'f' ? c - 'a' + 10
				       : -1;
}

/* Bytes of the frame on the socket; 0: not a frame. */
static size_t parse(const char *text, struct canfd_frame *frame)
{
	char *end;
	unsigned long id = strtoul(text, &end, 16);
	bool fd = false;

	*frame = (struct canfd_frame){0};
	if (*end != '#' || (end - text != 3 && end - text != 8))
		return 0;
	frame->can_id = (canid_t)id;
	if (end - text == 8 && !(id & CAN_ERR_FLAG))
		frame->can_id |= CAN_EFF_FLAG;
	end++;
	if (*end == '#' && digit(end[1]) >= 0) {
		fd = true;
		frame->flags = (uint8_t)digit(end[1]);
		end += 2;
	}
	if (*end == 'R') {
		frame->can_id |= CAN_RTR_FLAG;
		end++;
		if (digit(*end) >= 0)
			frame->len = (uint8_t)digit(*end++);
		return CAN_MTU;
	}
	while (digit(end[0]) >= 0 && digit(end[1]) >= 0 &&
		frame->len < (fd ? CANFD_MAX_DLEN : CAN_MAX_DLEN)) {
		frame->data[frame->len++] = (uint8_t)(digit(end[0]) << 4 | digit(end[1]));
		end += 2;
	}
	return *end && *end != ' ' ? 0 : fd ? CANFD_MTU : CAN_MTU;
}

static void send_frame(struct iface *iface, const struct canfd_frame *frame, size_t size)
{
	/* An interface that went and came back needs a new socket; one that is down loses what is sent, as a bus would. */
	for (int tries = 0; tries < 2; tries++) {
		if (iface->fd >= 0 && write(iface->fd, frame, size) == (ssize_t)size)
			return;
		if (errno == ENOBUFS) {
			struct timespec little = {.tv_nsec = 200000};

			(void)nanosleep(&little, NULL);
			tries--;
			continue;
		}
		if (errno != ENODEV && errno != ENXIO && errno != EADDRNOTAVAIL)
			return;
		if (iface->fd >= 0)
			(void)close(iface->fd);
		iface->fd = if_nametoindex(iface->name) ? open_iface(iface->name) : -1;
	}
}

static void wait_until(const struct timespec *start, double seconds)
{
	int64_t ns = start->tv_sec * INT64_C(1000000000) + start->tv_nsec + (int64_t)(seconds * 1e9);
	struct timespec at = {.tv_sec = ns / 1000000000, .tv_nsec = ns % 1000000000};

	while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &at, NULL) == EINTR)
		;
}

static FILE *open_or_die(const char *path, const char *mode)
{
	FILE *file = fopen(path, mode);

	if (!file) {
		fprintf(stderr, "can_play: %s: %s\n", path, strerror(errno));
		exit(1);
	}
	return file;
}

static FILE *stamps;
static const char *forced_iface;

/* What stands behind "(SECONDS)". False: nothing that could be played. */
static bool play_line(char *rest)
{
	struct canfd_frame frame;
	struct timespec now;
	char name[IFNAMSIZ];
	int at = 0;

	if (rest[0] == '!') {
		if (system(rest + 1)) /* NOLINT(cert-env33-c): the test's own commands */
			fprintf(stderr, "can_play: failed: %s\n", rest + 1);
		return true;
	}
	if (sscanf(rest, "%15s %n", name, &at) != 1 || !at)
		return false;
	size_t size = parse(rest + at, &frame);

	if (!size)
		return false;
	send_frame(iface_of(forced_iface ? forced_iface : name), &frame, size);
	if (stamps && !clock_gettime(CLOCK_BOOTTIME, &now))
		fprintf(stamps, "%lld\n", (long long)now.tv_sec * 1000000000LL + now.tv_nsec);
	return true;
}

int main(int argc, char **argv)
{
	double speed = 1, first = -1;
	struct timespec start;
	char line[1024];
	int option;
	unsigned long number = 0;

	while ((option = getopt(argc, argv, "s:i:t:")) != -1) {
		if (option == 's')
			speed = strtod(optarg, NULL);
		else if (option == 'i')
			forced_iface = optarg;
		else if (option == 't')
			stamps = open_or_die(optarg, "w");
		else
			return 2;
	}
	if (optind + 1 != argc || speed <= 0) {
		fputs("usage: can_play [-s SPEED] [-i IFACE] [-t STAMPS] LOG\n", stderr);
		return 2;
	}
	FILE *log = strcmp(argv[optind], "-") != 0 ? open_or_die(argv[optind], "r") : stdin;

	if (clock_gettime(CLOCK_MONOTONIC, &start))
		return 1;
	while (fgets(line, sizeof(line), log)) {
		char *end;

		number++;
		line[strcspn(line, "\r\n")] = '\0';
		if (!line[0] || line[0] == ';')
			continue;
		double at = strtod(line + 1, &end);

		if (line[0] != '(' || end == line + 1 || end[0] != ')' || end[1] != ' ') {
			fprintf(stderr, "can_play: line %lu: no time\n", number);
			return 1;
		}
		if (first < 0)
			first = at;
		wait_until(&start, (at - first) / speed);
		if (!play_line(end + 2)) {
			fprintf(stderr, "can_play: line %lu: neither frame nor command\n", number);
			return 1;
		}
	}
	return stamps && fclose(stamps) ? 1 : 0;
}
