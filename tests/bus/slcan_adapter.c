/* SPDX-License-Identifier: GPL-3.0-or-later */
/* slcan_adapter: a serial-line adapter made of a pty: the kernel's slcan driver on one end, a test's script on the
 * other. Whatever the driver sends to the adapter is written down, so that a test can show that no frame ever was.
 * usage: slcan_adapter RECEIVED_FILE <SCRIPT
 *   prints "port PATH" and "iface NAME" once the interface exists; each command of the driver is a line of RECEIVED_FILE
 *   script lines:  send TEXT   as the adapter would, ended by a carriage return: t1232AABB, T000001FF0, e1a, sp130000 ...
 *                  repeat N MS TEXT   the same N times, MS apart
 *                  wait MS   |   hangup (a true unplug)   |   attach (a new pty and interface)   |   quit */
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <net/if.h>
#include <poll.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define LINE_DISCIPLINE_SLCAN 17

static int master = -1, slave = -1;
static FILE *received;

static int64_t now_ms(void)
{
	struct timespec now;

	return clock_gettime(CLOCK_MONOTONIC, &now) ? 0 : (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void die(const char *what)
{
	fprintf(stderr, "slcan_adapter: %s: %s\n", what, strerror(errno));
	exit(1);
}

static void attach(void)
{
	int discipline = LINE_DISCIPLINE_SLCAN;
	char name[IFNAMSIZ] = "";
	struct termios raw;

	master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
	if (master < 0 || grantpt(master) || unlockpt(master))
		die("no pty");
	slave = open(ptsname(master), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
	if (slave < 0 || tcgetattr(slave, &raw))
		die("the pty's other end");
	cfmakeraw(&raw);
	raw.c_cflag |= CLOCAL;
	if (tcsetattr(slave, TCSANOW, &raw) || ioctl(slave, TIOCSETD, &discipline))
		die("line discipline");
	if (ioctl(slave, SIOCGIFNAME, name))
		die("name of the interface");
	printf("port %s\niface %s\n", ptsname(master), name);
	(void)fflush(stdout);
}

static void hang_up(void)
{
	/* The order matters: the driver lets go of the interface when its tty is hung up. */
	if (master >= 0)
		(void)close(master);
	if (slave >= 0)
		(void)close(slave);
	master = slave = -1;
	fputs("hangup\n", received);
	(void)fflush(received);
}

static void take(void)
{
	char bytes[256];
	ssize_t n = read(master, bytes, sizeof(bytes));

	for (ssize_t i = 0; i < n; i++)
		(void)fputc(bytes[i] == '\r' ? '\n' : bytes[i], received);
	(void)fflush(received);
}

/* Listens to the driver until then, or until `or_input` has something to say. */
static void listen_until(int64_t until, bool or_input)
{
	for (;;) {
		struct pollfd fds[2] = {
			{.fd = master, .events = POLLIN},
			{.fd = or_input ? STDIN_FILENO : -1, .events = POLLIN},
		};
		int64_t rest = until - now_ms();

		if (!or_input && rest <= 0)
			return;
		if (poll(fds, 2, or_input ? -1 : (int)rest) < 0 && errno != EINTR)
			die("poll");
		if (fds[0].revents & POLLIN)
			take();
		else if (fds[0].revents)
			hang_up();
		if (fds[1].revents)
			return;
	}
}

static void send_text(const char *text)
{
	char line[128];
	int n = snprintf(line, sizeof(line), "%s\r", text);
	size_t sent = 0;

	while (master >= 0 && n > 0 && sent < (size_t)n) {
		ssize_t w = write(master, line + sent, (size_t)n - sent);

		if (w > 0)
			sent += (size_t)w;
		else if (errno == EAGAIN)
			listen_until(now_ms() + 1, false);
		else
			return;
	}
}

static void repeat(unsigned long count, unsigned long apart_ms, const char *text)
{
	int64_t begun = now_ms();

	for (unsigned long i = 0; i < count; i++) {
		listen_until(begun + (int64_t)(i * apart_ms), false);
		send_text(text);
	}
}

/* False at the end. */
static bool obey(const char *line)
{
	unsigned long count, ms;
	char *rest;

	if (!strncmp(line, "send ", 5))
		send_text(line + 5);
	else if (!strncmp(line, "repeat ", 7)) {
		count = strtoul(line + 7, &rest, 10);
		ms = strtoul(rest, &rest, 10);
		repeat(count, ms, *rest ? rest + 1 : "");
	} else if (!strncmp(line, "wait ", 5))
		listen_until(now_ms() + strtol(line + 5, NULL, 10), false);
	else if (!strcmp(line, "hangup"))
		hang_up();
	else if (!strcmp(line, "attach"))
		attach();
	else if (!strcmp(line, "quit"))
		return false;
	else if (line[0] && line[0] != '#')
		fprintf(stderr, "slcan_adapter: no such command: %s\n", line);
	return true;
}

/* stdio would hide from poll() what it has read ahead. */
static bool next_line(char *line, size_t size)
{
	size_t n = 0;

	for (;;) {
		char c;

		if (n == 0)
			listen_until(0, true);
		ssize_t r = read(STDIN_FILENO, &c, 1);

		if (r <= 0)
			return false;
		if (c == '\n')
			break;
		if (n + 1 < size)
			line[n++] = c;
	}
	line[n] = '\0';
	return true;
}

int main(int argc, char **argv)
{
	char line[256];

	if (argc != 2) {
		fputs("usage: slcan_adapter RECEIVED_FILE <SCRIPT\n", stderr);
		return 2;
	}
	received = fopen(argv[1], "we");
	if (!received)
		die(argv[1]);
	attach();
	while (next_line(line, sizeof(line)) && obey(line))
		;
	return fclose(received) ? 1 : 0;
}
