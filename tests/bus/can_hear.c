/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_hear: prints what a plain CAN_RAW socket hears, as a text log: the witness of the bus tests.
 * usage: can_hear IFACE SECONDS [COUNT]   ends after COUNT frames or SECONDS; says "ready" on stderr once it listens */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static int64_t now_ms(void)
{
	struct timespec now;

	return clock_gettime(CLOCK_MONOTONIC, &now) ? 0 : (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void print_frame(
	const char *iface, const struct timespec *at, const struct canfd_frame *frame, ssize_t size)
{
	canid_t id = frame->can_id;

	printf("(%lld.%09ld) %s ", (long long)at->tv_sec, at->tv_nsec, iface);
	if (id & CAN_ERR_FLAG)
		printf("%08X#", id & (CAN_ERR_FLAG | CAN_ERR_MASK));
	else if (id & CAN_EFF_FLAG)
		printf("%08X#", id & CAN_EFF_MASK);
	else
		printf("%03X#", id & CAN_SFF_MASK);
	if (size == CANFD_MTU)
		printf("#%X", frame->flags & 0x3U);
	if (id & CAN_RTR_FLAG)
		printf("R%u", frame->len);
	for (unsigned i = 0; !(id & CAN_RTR_FLAG) && i < frame->len; i++)
		printf("%02X", frame->data[i]);
	putchar('\n');
}

int main(int argc, char **argv)
{
	if (argc < 3) {
		fputs("usage: can_hear IFACE SECONDS [COUNT]\n", stderr);
		return 2;
	}
	int fd = socket(PF_CAN, SOCK_RAW | SOCK_CLOEXEC, CAN_RAW), on = 1;
	struct sockaddr_can addr = {.can_family = AF_CAN, .can_ifindex = (int)if_nametoindex(argv[1])};
	can_err_mask_t all = CAN_ERR_MASK;
	long left = argc > 3 ? strtol(argv[3], NULL, 10) : -1;
	int64_t end = now_ms() + (int64_t)(strtod(argv[2], NULL) * 1000);

	if (fd < 0 || !addr.can_ifindex ||
		setsockopt(fd, SOL_CAN_RAW, CAN_RAW_ERR_FILTER, &all, sizeof(all)) ||
		setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof(on)) ||
		bind(fd, (struct sockaddr *)&addr, sizeof(addr))) {
		fprintf(stderr, "can_hear: %s: %s\n", argv[1], strerror(errno));
		return 1;
	}
	fputs("ready\n", stderr);
	while (left != 0) {
		struct pollfd pfd = {.fd = fd, .events = POLLIN};
		struct canfd_frame frame;
		struct timespec at = {0};
		int64_t rest = end - now_ms();

		if (rest <= 0 || poll(&pfd, 1, (int)rest) <= 0)
			break;
		ssize_t size = read(fd, &frame, sizeof(frame));

		if (size < 0) {
			printf("error %s\n", strerror(errno));
			break;
		}
		(void)ioctl(fd, SIOCGSTAMPNS, &at);
		print_frame(argv[1], &at, &frame, size);
		left--;
	}
	return 0;
}
