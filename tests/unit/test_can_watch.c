/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_can_watch: by which key an adapter is known again, from a made-up /sys; and the rule for coalescing. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <source/can_watch.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static char root[] = "/tmp/test_can_watch.XXXXXX";

static void folder(const char *path)
{
	char whole[1024], *c;

	(void)snprintf(whole, sizeof whole, "%s/%s/", root, path);
	for (c = whole + strlen(root) + 1; (c = strchr(c, '/')); c++) {
		*c = 0;
		(void)mkdir(whole, 0755);
		*c = '/';
	}
}

static void file(const char *path, const char *text)
{
	char whole[1024];
	FILE *f;

	(void)snprintf(whole, sizeof whole, "%s/%s", root, path);
	f = fopen(whole, "w");
	assert_non_null(f);
	assert_true(fputs(text, f) >= 0);
	assert_int_equal(fclose(f), 0);
}

static void joint(const char *target, const char *path)
{
	char whole[1024];

	(void)snprintf(whole, sizeof whole, "%s/%s", root, path);
	(void)unlink(whole);
	assert_int_equal(symlink(target, whole), 0);
}

#define USB "sys/devices/platform/scb/fd500000.pcie/pci0000:00/0000:01:00.0/usb%d/%d-1/%d-1.2"

/* A USB adapter on bus number `bus`, its interface being called `name`. */
static void usb(int bus, const char *name, const char *serial, const char *channel)
{
	char device[256], path[512];

	(void)snprintf(device, sizeof device, USB, bus, bus, bus);
	(void)snprintf(path, sizeof path, "%s/%d-1.2:1.0", device, bus);
	folder(path);
	(void)snprintf(path, sizeof path, "%s/idVendor", device);
	file(path, "1209\n");
	(void)snprintf(path, sizeof path, "%s/idProduct", device);
	file(path, "0001\n");
	(void)snprintf(path, sizeof path, "%s/product", device);
	file(path, "CAN adapter\n");
	(void)snprintf(path, sizeof path, "%s/serial", device);
	if (serial)
		file(path, serial);
	(void)snprintf(path, sizeof path, "sys/class/net/%s", name);
	folder(path);
	(void)snprintf(path, sizeof path, "sys/class/net/%s/dev_id", name);
	file(path, channel);
	(void)snprintf(path, sizeof path, "../../../devices/platform/scb/fd500000.pcie/pci0000:00/0000:01:00.0/usb%d/%d-1/%d-1.2/%d-1.2:1.0",
		bus, bus, bus, bus);
	(void)snprintf(device, sizeof device, "sys/class/net/%s/device", name);
	joint(path, device);
}

static int make_root(void **unused)
{
	(void)unused;
	return mkdtemp(root) ? 0 : -1;
}

static int drop_root(void **unused)
{
	char command[64];

	(void)unused;
	(void)snprintf(command, sizeof command, "rm -rf '%s'", root);
	return system(command); /* NOLINT: our own folder */
}

static void test_serial(void **unused)
{
	struct lull_adapter a, b;

	(void)unused;
	usb(1, "can0", "0011 2233/4455\n", "0x0\n");
	lull_adapter_describe(root, "can0", &a);
	assert_string_equal(a.key, "usb:1209:0001:0011_2233_4455/0");
	assert_string_equal(a.product, "CAN_adapter");
	/* The same one at another port under another name. */
	usb(3, "can5", "0011 2233/4455\n", "0x0\n");
	lull_adapter_describe(root, "can5", &b);
	assert_string_equal(a.key, b.key);
	/* Its second channel is another one. */
	usb(3, "can6", "0011 2233/4455\n", "0x1\n");
	lull_adapter_describe(root, "can6", &b);
	assert_string_equal(b.key, "usb:1209:0001:0011_2233_4455/1");
}

/* Without a serial: where it sits, whatever number the kernel gave that bus this time. */
static void test_place(void **unused)
{
	struct lull_adapter a, b;

	(void)unused;
	usb(5, "can7", NULL, "0x0\n");
	usb(6, "can8", NULL, "0x0\n");
	lull_adapter_describe(root, "can7", &a);
	lull_adapter_describe(root, "can8", &b);
	assert_string_equal(a.key, "path:platform/scb/fd500000.pcie/pci0000:00/0000:01:00.0/1/1.2/1.2:1.0/0");
	assert_string_equal(a.key, b.key);
	usb(1, "can0", "77\n", "0x0\n");
	lull_adapter_describe_place(root, "can0", &a);
	assert_true(!strncmp(a.key, "path:", 5));
	/* An SPI controller. */
	folder("sys/devices/platform/soc/fe204000.spi/spi_master/spi0/spi0.0");
	folder("sys/bus/spi/drivers/mcp251x");
	joint("../../../../../../../bus/spi/drivers/mcp251x", "sys/devices/platform/soc/fe204000.spi/spi_master/spi0/spi0.0/driver");
	folder("sys/class/net/can3");
	joint("../../../devices/platform/soc/fe204000.spi/spi_master/spi0/spi0.0", "sys/class/net/can3/device");
	lull_adapter_describe(root, "can3", &a);
	assert_string_equal(a.key, "path:platform/soc/fe204000.spi/spi_master/spi0/spi0.0/0");
	assert_string_equal(a.driver, "mcp251x");
}

/* A serial port below the given USB bus, with its number in the kernel. */
static void terminal(int bus, const char *number)
{
	char device[256], path[512], target[600];

	(void)snprintf(device, sizeof device, USB, bus, bus, bus);
	(void)snprintf(path, sizeof path, "%s/%d-1.2:1.1/tty/ttyACM%d", device, bus, bus);
	folder(path);
	folder("sys/dev/char");
	(void)snprintf(target, sizeof target, "../../%s", path + strlen("sys/"));
	(void)snprintf(device, sizeof device, "sys/dev/char/%s", number);
	joint(target, device);
	(void)snprintf(target, sizeof target, "%s/device", path);
	joint("../..", target);
}

/* Some adapters have a serial port beside their CAN interface: no instrument may be asked there. */
static void test_terminal(void **unused)
{
	char name[LULL_LINK_NAME] = "";

	(void)unused;
	usb(7, "can9", "77\n", "0x0\n");
	file("sys/class/net/can9/type", "280\n");
	terminal(7, "166:7");
	assert_true(lull_adapter_has_terminal(root, 166, 7, name));
	assert_string_equal(name, "can9");
	/* Another device, with a network interface that is no CAN interface. */
	usb(8, "eth9", "78\n", "0x0\n");
	file("sys/class/net/eth9/type", "1\n");
	terminal(8, "166:8");
	assert_false(lull_adapter_has_terminal(root, 166, 8, name));
	/* No such port, and one of no USB device. */
	assert_false(lull_adapter_has_terminal(root, 4, 64, name));
	folder("sys/devices/platform/soc/serial0/tty/ttyS0");
	joint("../../devices/platform/soc/serial0/tty/ttyS0", "sys/dev/char/4:64");
	joint("../..", "sys/devices/platform/soc/serial0/tty/ttyS0/device");
	assert_false(lull_adapter_has_terminal(root, 4, 64, name));
}

static void test_nothing(void **unused)
{
	struct lull_adapter a;

	(void)unused;
	lull_adapter_describe(root, "vcan0", &a);
	assert_string_equal(a.key, "name:vcan0");
	lull_adapter_describe(root, a.name, &a); /* in place, as the watch does */
	assert_string_equal(a.key, "name:vcan0");
	assert_string_equal(a.name, "vcan0");
	lull_adapter_describe(root, "../../../etc", &a);
	assert_true(!strncmp(a.key, "name:", 5));
	assert_string_equal(a.driver, "");
}

static void test_coalescing(void **unused)
{
	/* socketcan-notes: rx-frames-irq 8 with rx-usecs-irq 0 held frames for minutes (raspberrypi/linux#6407). */
	const struct lull_coalescing held = {.known = true, .frames_irq = 8}, timed = {.known = true, .frames_irq = 8, .usecs_irq = 500},
				     each = {.known = true, .frames_irq = 1}, unknown = {.frames_irq = 8},
				     plain = {.known = true, .frames = 4};
	struct lull_coalescing c;

	(void)unused;
	assert_true(lull_coalescing_holds(&held));
	assert_false(lull_coalescing_holds(&timed));
	assert_false(lull_coalescing_holds(&each));
	assert_false(lull_coalescing_holds(&unknown));
	assert_true(lull_coalescing_holds(&plain));
	assert_int_equal(lull_coalescing_read("no-such-if", &c), -ENODEV);
}

static void none(void *ctx, enum lull_watch_event e, const struct lull_adapter *a)
{
	(void)ctx, (void)e, (void)a;
}

static void test_open(void **unused)
{
	struct lull_watch *w = lull_watch_open();
	size_t n;

	(void)unused;
	if (!w) {
		print_message("no rtnetlink here: %s\n", strerror(errno));
		skip();
	}
	assert_int_equal(lull_watch_read(w, none, NULL), 0);
	(void)lull_watch_list(w, &n);
	assert_null(lull_watch_find(w, "no-such-if"));
	assert_null(lull_watch_find(w, "usb:0:0:0/0"));
	lull_watch_close(w);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(test_serial), cmocka_unit_test(test_place), cmocka_unit_test(test_terminal), cmocka_unit_test(test_nothing),
		cmocka_unit_test(test_coalescing), cmocka_unit_test(test_open)};

	return cmocka_run_group_tests(tests, make_root, drop_root);
}
