/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_adapter: what sysfs and ethtool say of an interface: by which key its adapter is known again, and whether its driver may
 * hold frames back. */
#include <source/can_watch.h>

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/ethtool.h>
#include <linux/sockios.h>
#include <net/if.h>
#include <net/if_arp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#define PATH_MOST 4096

/* The first line of a small file, made fit for a key; false if there is none. */
static bool word(const char *folder, const char *file, char *out, size_t size)
{
	char path[PATH_MOST], buffer[128];
	size_t i, used = 0;
	ssize_t n;
	int fd;

	out[0] = 0;
	if (snprintf(path, sizeof path, "%s/%s", folder, file) >= (int)sizeof path)
		return false;
	fd = open(path, O_RDONLY | O_CLOEXEC);
	if (fd < 0)
		return false;
	n = read(fd, buffer, sizeof buffer);
	(void)close(fd);
	for (i = 0; n > 0 && i < (size_t)n && buffer[i] != '\n' && used + 1 < size; i++) {
		unsigned char c = (unsigned char)buffer[i];

		out[used++] = c > 0x20 && c < 0x7f && c != '/' ? (char)c : '_';
	}
	out[used] = 0;
	return used > 0;
}

static void link_name(const char *folder, const char *file, char *out, size_t size)
{
	char path[PATH_MOST], target[PATH_MOST];
	const char *last;
	ssize_t n;

	out[0] = 0;
	if (snprintf(path, sizeof path, "%s/%s", folder, file) >= (int)sizeof path)
		return;
	n = readlink(path, target, sizeof target - 1);
	if (n <= 0)
		return;
	target[n] = 0;
	last = strrchr(target, '/');
	(void)snprintf(out, size, "%.*s", (int)size - 1, last ? last + 1 : target);
}

/* "usb1" and the bus number of "1-1.2:1.0" are counted up by the kernel as controllers appear. */
static void place(const char *path, char *out, size_t size)
{
	size_t used = 0;

	while (*path && used + 1 < size) {
		size_t n = strcspn(path, "/"), digits = strspn(path, "0123456789");

		if (n > 3 && !strncmp(path, "usb", 3) && strspn(path + 3, "0123456789") == n - 3) {
			path += n + (path[n] == '/');
			continue;
		}
		if (digits && digits < n && path[digits] == '-' && path[digits + 1] >= '0' && path[digits + 1] <= '9') {
			path += digits + 1;
			n -= digits + 1;
		}
		used += (size_t)snprintf(out + used, size - used, "%s%.*s", used ? "/" : "", (int)n, path);
		path += n + (path[n] == '/');
	}
	if (!used)
		out[0] = 0;
}

/* The USB device above the interface: the folder that has idVendor. Cuts path down to it. */
static bool usb_device(char *path, const char *stop)
{
	char vendor[8];

	while (strlen(path) > strlen(stop)) {
		char *slash;

		if (word(path, "idVendor", vendor, sizeof vendor))
			return true;
		slash = strrchr(path, '/');
		if (!slash)
			return false;
		*slash = 0;
	}
	return false;
}

static unsigned channel(const char *folder)
{
	char text[16];
	unsigned long n = 0;

	if (word(folder, "dev_port", text, sizeof text))
		n = strtoul(text, NULL, 0);
	if (!n && word(folder, "dev_id", text, sizeof text))
		n = strtoul(text, NULL, 0);
	return (unsigned)n;
}

/* By its serial, else by where it sits. */
static void key_of(const char *root, const char *folder, struct lull_adapter *a, bool serial_known)
{
	char path[PATH_MOST], devices[PATH_MOST], whole[PATH_MOST], where[LULL_ADAPTER_KEY - 16];
	char vendor[8], product[8], serial[64];

	if (snprintf(path, sizeof path, "%s/device", folder) >= (int)sizeof path || !realpath(path, whole) ||
		snprintf(path, sizeof path, "%s/sys/devices", root) >= (int)sizeof path || !realpath(path, devices) ||
		strncmp(whole, devices, strlen(devices)) != 0)
		return;
	place(whole + strlen(devices) + 1, where, sizeof where);
	(void)snprintf(a->key, sizeof a->key, "path:%s/%u", where, channel(folder));
	if (!usb_device(whole, devices))
		return;
	(void)word(whole, "product", a->product, sizeof a->product);
	if (serial_known && word(whole, "serial", serial, sizeof serial) && word(whole, "idVendor", vendor, sizeof vendor) &&
		word(whole, "idProduct", product, sizeof product))
		(void)snprintf(a->key, sizeof a->key, "usb:%s:%s:%s/%u", vendor, product, serial, channel(folder));
}

static void describe(const char *root, const char *name, struct lull_adapter *a, bool by_serial)
{
	char folder[PATH_MOST], own[LULL_LINK_NAME];

	/* The name may be the adapter's own, which is written here. */
	(void)snprintf(own, sizeof own, "%s", name);
	memcpy(a->name, own, sizeof a->name);
	name = own;
	(void)snprintf(a->key, sizeof a->key, "name:%s", a->name);
	a->driver[0] = a->product[0] = 0;
	if (strchr(name, '/') || snprintf(folder, sizeof folder, "%s/sys/class/net/%s", root, name) >= (int)sizeof folder)
		return;
	link_name(folder, "device/driver", a->driver, sizeof a->driver);
	key_of(root, folder, a, by_serial);
}

void lull_adapter_describe(const char *root, const char *name, struct lull_adapter *a)
{
	describe(root, name, a, true);
}

void lull_adapter_describe_place(const char *root, const char *name, struct lull_adapter *a)
{
	describe(root, name, a, false);
}

/* The USB device that the device of this folder is a part of. */
static bool usb_above(const char *root, const char *folder, char whole[PATH_MOST])
{
	char path[PATH_MOST], devices[PATH_MOST];

	return snprintf(path, sizeof path, "%s/%s/device", root, folder) < (int)sizeof path && realpath(path, whole) &&
		snprintf(path, sizeof path, "%s/sys/devices", root) < (int)sizeof path && realpath(path, devices) &&
		usb_device(whole, devices);
}

bool lull_adapter_has_terminal(const char *root, unsigned major, unsigned minor, char name[LULL_LINK_NAME])
{
	char folder[PATH_MOST], terminal[PATH_MOST], adapter[PATH_MOST], type[16];
	const struct dirent *entry;
	bool found = false;
	DIR *all = NULL;

	(void)snprintf(folder, sizeof folder, "sys/dev/char/%u:%u", major, minor);
	if (usb_above(root, folder, terminal) && snprintf(folder, sizeof folder, "%s/sys/class/net", root) < (int)sizeof folder)
		all = opendir(folder);
	while (all && !found && (entry = readdir(all))) {
		if (strlen(entry->d_name) >= LULL_LINK_NAME ||
			snprintf(folder, sizeof folder, "%s/sys/class/net/%s", root, entry->d_name) >= (int)sizeof folder)
			continue;
		if (!word(folder, "type", type, sizeof type) || strtoul(type, NULL, 10) != ARPHRD_CAN)
			continue;
		found = usb_above(root, folder + strlen(root) + 1, adapter) && !strcmp(adapter, terminal);
		if (found)
			(void)snprintf(name, LULL_LINK_NAME, "%.*s", LULL_LINK_NAME - 1, entry->d_name);
	}
	if (all)
		(void)closedir(all);
	return found;
}

int lull_coalescing_read(const char *name, struct lull_coalescing *c)
{
	struct ethtool_coalesce e = {.cmd = ETHTOOL_GCOALESCE};
	struct ifreq request = {.ifr_data = (char *)&e};
	int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0), r = 0;

	memset(c, 0, sizeof *c);
	if (fd < 0)
		return -errno;
	(void)snprintf(request.ifr_name, sizeof request.ifr_name, "%s", name);
	if (ioctl(fd, SIOCETHTOOL, &request))
		r = errno == EOPNOTSUPP ? 0 : -errno;
	else
		*c = (struct lull_coalescing){.known = true,
			.frames = e.rx_max_coalesced_frames,
			.usecs = e.rx_coalesce_usecs,
			.frames_irq = e.rx_max_coalesced_frames_irq,
			.usecs_irq = e.rx_coalesce_usecs_irq};
	(void)close(fd);
	return r;
}

bool lull_coalescing_holds(const struct lull_coalescing *c)
{
	return c->known && ((c->frames > 1 && !c->usecs) || (c->frames_irq > 1 && !c->usecs_irq));
}
