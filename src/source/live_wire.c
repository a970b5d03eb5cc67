/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_wire: bytes from a serial line, a pipe or a TCP connection, line by line, never waiting. */
#include <source/can_watch.h>
#include <source/live_impl.h>

#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <termios.h>
#include <unistd.h>

static int refuse(char *why, size_t size, const char *device, const char *reason, int e)
{
	(void)snprintf(why, size, "%s: %s", device, reason ? reason : strerror(e));
	return -e;
}

/* "192.168.1.7:5025", "[::1]:5025" */
static bool split(const char *text, char host[96], char port[8])
{
	const char *colon = strrchr(text, ':');
	size_t n;

	if (!colon || !colon[1] || strlen(colon + 1) >= 8)
		return false;
	n = (size_t)(colon - text);
	if (n >= 2 && text[0] == '[' && text[n - 1] == ']') {
		text++;
		n -= 2;
	}
	if (!n || n >= 96)
		return false;
	memcpy(host, text, n);
	host[n] = 0;
	(void)snprintf(port, 8, "%s", colon + 1);
	return true;
}

static int dial(struct lull_wire *w, const char *device, char *why, size_t size)
{
	/* Numbers only: asking a name server would hold up everything else. */
	const struct addrinfo hints = {.ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICHOST | AI_NUMERICSERV};
	struct addrinfo *a = NULL;
	char host[96], port[8];
	const int on = 1, idle = 10, tries = 3;
	int e;

	if (!split(device + 4, host, port) || getaddrinfo(strcmp(host, "localhost") ? host : "127.0.0.1", port, &hints, &a))
		return refuse(why, size, device, "write an address in numbers, such as tcp:192.168.1.7:5025", EINVAL);
	w->fd = a->ai_family == AF_INET6 ? socket(AF_INET6, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0) :
					   socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
	e = errno;
	if (w->fd >= 0) {
		/* A meter that was switched off says nothing more: ask whether it is there. */
		(void)setsockopt(w->fd, SOL_SOCKET, SO_KEEPALIVE, &on, sizeof on);
		(void)setsockopt(w->fd, IPPROTO_TCP, TCP_KEEPIDLE, &idle, sizeof idle);
		(void)setsockopt(w->fd, IPPROTO_TCP, TCP_KEEPINTVL, &idle, sizeof idle);
		(void)setsockopt(w->fd, IPPROTO_TCP, TCP_KEEPCNT, &tries, sizeof tries);
		(void)setsockopt(w->fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
		e = connect(w->fd, a->ai_addr, a->ai_addrlen) ? errno : 0;
		w->connecting = e == EINPROGRESS;
	}
	freeaddrinfo(a);
	if (e && !w->connecting) {
		lull_wire_close(w);
		return refuse(why, size, device, NULL, e);
	}
	return 0;
}

static bool baud_code(unsigned baud, speed_t *code)
{
	static const struct {
		unsigned baud;
		speed_t code;
	} known[] = {{1200, B1200}, {2400, B2400}, {4800, B4800}, {9600, B9600}, {19200, B19200}, {38400, B38400}, {57600, B57600},
		{115200, B115200}, {230400, B230400}, {460800, B460800}, {921600, B921600}, {1000000, B1000000}};
	size_t i;

	for (i = 0; i < sizeof known / sizeof known[0]; i++) {
		if (known[i].baud == baud) {
			*code = known[i].code;
			return true;
		}
	}
	return false;
}

/* A serial port whose bytes go to a CAN adapter: the kernel's driver of one has it (any line discipline but that of terminals), or
 * it is a part of a USB adapter. Neither its settings nor a byte may reach it. */
static bool of_adapter(int fd, dev_t number, char *why, size_t size, const char *device)
{
	char name[LULL_LINK_NAME];
	int discipline = 0;

	if (!ioctl(fd, TIOCGETD, &discipline) && discipline != 0)
		(void)snprintf(why, size, "%s: a CAN adapter or another driver has this port (line discipline %d); name the meter's port",
			device, discipline);
	else if (lull_adapter_has_terminal("", major(number), minor(number), name))
		(void)snprintf(why, size, "%s: this port belongs to the CAN adapter %s; name the meter's port", device, name);
	else
		return false;
	return true;
}

static int serial(const struct lull_wire *w, const char *device, unsigned baud, char *why, size_t size)
{
	struct termios t;
	speed_t code;

	if (!baud_code(baud, &code))
		return refuse(why, size, device, "this is no usual rate of a serial line", EINVAL);
	if (tcgetattr(w->fd, &t))
		return refuse(why, size, device, NULL, errno);
	cfmakeraw(&t);
	t.c_cflag |= CLOCAL | CREAD;
	t.c_cflag &= ~(tcflag_t)(CRTSCTS | HUPCL);
	if (cfsetspeed(&t, code) || tcsetattr(w->fd, TCSANOW, &t))
		return refuse(why, size, device, NULL, errno);
	(void)tcflush(w->fd, TCIFLUSH);
	return 0;
}

int lull_wire_open(struct lull_wire *w, const char *device, unsigned baud, bool write, char *why, size_t size)
{
	struct stat st;
	int r = 0;

	*w = (struct lull_wire){.fd = -1};
	if (!strncmp(device, "tcp:", 4))
		return dial(w, device, why, size);
	/* Writing keeps a pipe open when its writer goes: its silence tells then. */
	w->fd = open(device, O_RDWR | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
	if (w->fd < 0 && !write && (errno == EACCES || errno == EROFS))
		w->fd = open(device, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
	if (w->fd < 0)
		return refuse(why, size, device, NULL, errno);
	if (fstat(w->fd, &st))
		r = refuse(why, size, device, NULL, errno);
	else if (S_ISCHR(st.st_mode) && of_adapter(w->fd, st.st_rdev, why, size, device))
		r = -EBUSY;
	else if (isatty(w->fd))
		r = serial(w, device, baud, why, size);
	else if (write || !(S_ISFIFO(st.st_mode) || S_ISCHR(st.st_mode)))
		r = refuse(why, size, device, write ? "this is no serial line" : "this is no pipe and no serial line", EINVAL);
	if (r)
		lull_wire_close(w);
	return r;
}

void lull_wire_close(struct lull_wire *w)
{
	if (w->fd >= 0)
		(void)close(w->fd);
	w->fd = -1;
}

short lull_wire_events(const struct lull_wire *w)
{
	return w->connecting ? POLLOUT : POLLIN;
}

/* 1 connected, 0 not yet, -errno. */
static int connected(struct lull_wire *w)
{
	struct pollfd p = {.fd = w->fd, .events = POLLOUT};
	socklen_t n = sizeof(int);
	int e = 0;

	if (!w->connecting)
		return 1;
	if (poll(&p, 1, 0) <= 0)
		return 0;
	if (getsockopt(w->fd, SOL_SOCKET, SO_ERROR, &e, &n))
		e = errno;
	if (e)
		return -e;
	w->connecting = false;
	return 1;
}

/* A whole line out of the buffer. */
static bool cut(struct lull_wire *w, char *line, size_t *n, bool *too_long)
{
	char *end = memchr(w->buffer, '\n', w->used);
	size_t whole;

	if (!end && w->used == sizeof w->buffer) {
		/* Nobody writes such lines: away with it, and with its rest. */
		w->used = 0;
		w->too_long = true;
	}
	if (!end)
		return false;
	whole = (size_t)(end - w->buffer);
	*too_long = w->too_long || whole > LULL_WIRE_LINE;
	w->too_long = false;
	if (!*too_long) {
		memcpy(line, w->buffer, whole);
		line[whole] = 0;
		*n = whole;
	}
	w->used -= whole + 1;
	memmove(w->buffer, end + 1, w->used);
	return true;
}

enum lull_wire_got lull_wire_line(struct lull_wire *w, char line[LULL_WIRE_LINE + 1], size_t *n, char *why, size_t size)
{
	int r = connected(w);

	if (r < 0) {
		(void)snprintf(why, size, "%s", strerror(-r));
		return LULL_WIRE_ENDED;
	}
	for (;;) {
		bool too_long;
		ssize_t got;

		if (cut(w, line, n, &too_long))
			return too_long ? LULL_WIRE_TOO_LONG : LULL_WIRE_LINE_READ;
		if (!r)
			return LULL_WIRE_NONE;
		got = read(w->fd, w->buffer + w->used, sizeof w->buffer - w->used);
		if (got < 0 && errno == EINTR)
			continue;
		if (got < 0 && errno == EAGAIN)
			return LULL_WIRE_NONE;
		if (got <= 0) {
			/* A serial adapter that was pulled out ends with EIO, or with a plain end. */
			(void)snprintf(why, size, "%s", got ? strerror(errno) : "it was unplugged or closed");
			return LULL_WIRE_ENDED;
		}
		w->used += (size_t)got;
	}
}

int lull_wire_ask(struct lull_wire *w, const char *text)
{
	char line[128];
	int r = connected(w), n;
	ssize_t put;

	if (r <= 0)
		return r ? r : -EAGAIN;
	n = snprintf(line, sizeof line, "%s\n", text);
	if (n < 0 || (size_t)n >= sizeof line)
		return -EINVAL;
	put = write(w->fd, line, (size_t)n);
	if (put == n)
		return 0;
	/* Half a question is none: the line is stuck. */
	return put < 0 ? -errno : -EIO;
}

void lull_wire_flush(struct lull_wire *w)
{
	char drop[256];
	int i;

	w->used = 0;
	w->too_long = false;
	for (i = 0; i < 64 && !w->connecting && read(w->fd, drop, sizeof drop) > 0; i++)
		;
}
