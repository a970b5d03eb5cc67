/* SPDX-License-Identifier: GPL-3.0-or-later */
/* receive_frame: one message of a CAN socket, taken apart. Pure. */
#include <daemon/receive_impl.h>
#include <lull/frame.h>

#include <string.h>

/* The two shapes of SCM_TIMESTAMPING: with the C library's long, and always 64 bits. */
#define STAMPS_OLD 37
#define STAMPS_NEW 65

static int64_t ns_of(const void *data, bool wide, unsigned which)
{
	if (wide) {
		int64_t t[6];

		memcpy(t, data, sizeof t);
		return t[2 * which] * LULL_SEC + t[2 * which + 1];
	}
	long t[6];

	memcpy(t, data, sizeof t);
	return (int64_t)t[2 * which] * LULL_SEC + t[2 * which + 1];
}

static void read_control(struct msghdr *header, struct lull_received *got)
{
	for (struct cmsghdr *c = CMSG_FIRSTHDR(header); c; c = CMSG_NXTHDR(header, c)) {
		if (c->cmsg_level != SOL_SOCKET)
			continue;
		const size_t len = c->cmsg_len - CMSG_LEN(0);

		if (c->cmsg_type == STAMPS_NEW && len >= 6 * sizeof(int64_t)) {
			got->stamp = ns_of(CMSG_DATA(c), true, 0);
			got->own = ns_of(CMSG_DATA(c), true, 2);
		} else if (c->cmsg_type == STAMPS_OLD && len >= 6 * sizeof(long)) {
			got->stamp = ns_of(CMSG_DATA(c), false, 0);
			got->own = ns_of(CMSG_DATA(c), false, 2);
		} else if (c->cmsg_type == SO_RXQ_OVFL && len >= sizeof(uint32_t)) {
			memcpy(&got->dropped, CMSG_DATA(c), sizeof(uint32_t));
			got->dropped_told = true;
		}
	}
}

static uint32_t id_of(uint32_t can_id)
{
	if (can_id & CAN_ERR_FLAG)
		return can_id & CAN_ERR_MASK;
	return can_id & CAN_EFF_FLAG ? (can_id & CAN_EFF_MASK) | LULL_ID_EXTENDED : can_id & CAN_SFF_MASK;
}

static uint8_t flags_of(const struct canfd_frame *f, unsigned size, int message_flags)
{
	unsigned flags = 0;

	if (f->can_id & CAN_ERR_FLAG)
		flags |= LULL_FRAME_ERROR;
	else if (f->can_id & CAN_RTR_FLAG)
		flags |= LULL_FRAME_REMOTE;
	if (size == CANFD_MTU) {
		flags |= LULL_FRAME_FD;
		flags |= f->flags & CANFD_BRS ? LULL_FRAME_BRS : 0;
		flags |= f->flags & CANFD_ESI ? LULL_FRAME_ESI : 0;
	}
	if (message_flags & MSG_DONTROUTE)
		flags |= LULL_ENTRY_LOCAL;
	return (uint8_t)flags;
}

bool lull_received_read(
	struct msghdr *header, const struct canfd_frame *f, unsigned bytes, struct lull_received *got)
{
	if (bytes != CAN_MTU && bytes != CANFD_MTU)
		return false;
	*got = (struct lull_received){
		.id = id_of(f->can_id), .flags = flags_of(f, bytes, header->msg_flags), .data = f->data};
	/* A remote frame has a length and no data; the bytes are sent along all the same. */
	got->len = f->len <= (bytes == CAN_MTU ? CAN_MAX_DLEN : CANFD_MAX_DLEN) ? f->len : 0;
	read_control(header, got);
	return true;
}
