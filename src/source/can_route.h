/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_route: what rtnetlink says of CAN interfaces, and the one request that sets CAN FD up. */
#ifndef LULL_SOURCE_CAN_ROUTE_H
#define LULL_SOURCE_CAN_ROUTE_H

#include <linux/netlink.h>
#include <source/can_link.h>

/* Asks for one interface; -ENODEV, -ETIMEDOUT after a second, -errno. */
LULL_MUST_CHECK int lull_route_query(const char *name, struct lull_link_state *);
/* Bit timing of both phases, modes and restart in one request, on a link that is down. 0 or -errno as the kernel says. */
LULL_MUST_CHECK int lull_route_set_fd(const struct lull_link_spec *, uint32_t mask, uint32_t modes, bool restart);
/* Reads one RTM_NEWLINK or RTM_DELLINK message, as it comes from any netlink socket. -EBADMSG: it is none, or cut. */
LULL_MUST_CHECK int lull_route_parse(struct nlmsghdr *, struct lull_link_state *);

#endif
