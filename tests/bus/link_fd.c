/* SPDX-License-Identifier: GPL-3.0-or-later */
/* link_fd: what the kernel answers to the one request that sets CAN FD up.
 * usage: link_fd INTERFACE RATE DATA_RATE     prints the name of the error, or "set" */
#include <source/can_route.h>

#include <linux/can/netlink.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int main(int argc, char **argv)
{
	struct lull_link_spec spec = {0};
	int r;

	if (argc != 4)
		return 2;
	(void)snprintf(spec.name, sizeof spec.name, "%s", argv[1]);
	spec.bitrate = (uint32_t)strtoul(argv[2], NULL, 10);
	spec.fd_bitrate = (uint32_t)strtoul(argv[3], NULL, 10);
	r = lull_route_set_fd(&spec, CAN_CTRLMODE_FD | CAN_CTRLMODE_LISTENONLY, CAN_CTRLMODE_FD | CAN_CTRLMODE_LISTENONLY, false);
	puts(r ? strerrorname_np(-r) : "set");
	return 0;
}
