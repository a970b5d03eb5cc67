/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ears_drain: what the receiver has put into the ring: frames, clocks, losses, sockets. */
#include <daemon/ears.h>
#include <daemon/log.h>

#include <errno.h>
#include <inttypes.h>
#include <linux/can/error.h>
#include <stdio.h>
#include <string.h>

#define AWAKE_GAP (5 * LULL_SEC)

/* The controller's own words; they come with the time at which they were received. */
static int hear_error(struct lull_ears *ears, unsigned i, const struct lull_frame *frame)
{
	struct lull_ear *ear = &ears->ear[i];
	const unsigned control = frame->id & CAN_ERR_CRTL && frame->len > 1 ? frame->data[1] : 0;
	int r = 0;

	if (frame->id & CAN_ERR_BUSOFF)
		r = lull_book_blind(ears->book, i, LULL_BLIND_BUS_OFF, frame->t);
	if (!r && frame->id & CAN_ERR_RESTARTED)
		r = lull_book_hears(ears->book, i, LULL_BLIND_BUS_OFF, frame->t);
	if (!r && control & CAN_ERR_CRTL_RX_OVERFLOW) {
		ear->count.lost_controller++;
		r = lull_book_lost(ears->book, i, ear->count.last ? ear->count.last : frame->t, frame->t);
	}
	if (!r && control & (CAN_ERR_CRTL_RX_PASSIVE | CAN_ERR_CRTL_TX_PASSIVE))
		return lull_book_blind(ears->book, i, LULL_BLIND_ERROR_PASSIVE, frame->t);
	if (!r && control & (CAN_ERR_CRTL_ACTIVE | CAN_ERR_CRTL_RX_WARNING | CAN_ERR_CRTL_TX_WARNING)) {
		r = lull_book_hears(ears->book, i, LULL_BLIND_ERROR_PASSIVE, frame->t);
		/* No controller that is off counts down to these. */
		if (!r)
			r = lull_book_hears(ears->book, i, LULL_BLIND_BUS_OFF, frame->t);
	}
	return r;
}

/* A node that sends from this very computer is no part of the car. A virtual interface knows no other senders. */
static int hear_ourselves(struct lull_ears *ears, unsigned i)
{
	struct lull_ear *ear = &ears->ear[i];
	char sentence[160];

	if (ear->count.local++ || !ear->stated || ear->state.simulated)
		return 0;
	(void)snprintf(sentence, sizeof sentence, "bus %s: a program on the recorder's own computer sent frames; they count like the car's",
		ears->config->bus[i].name);
	lull_log(SD_ERR, "bus %s: a program on this computer sends on %s", ears->config->bus[i].name, ear->interface);
	return lull_book_left_out(ears->book, sentence);
}

static int hear_frame(struct lull_ears *ears, unsigned i, const struct lull_entry *entry)
{
	struct lull_ear *ear = &ears->ear[i];
	struct lull_frame frame;
	unsigned len = entry->len, skip = 0;
	int64_t own = 0;
	int r = 0;

	if (!ears->stamps.known)
		return 0; /* the clock comes first */
	if (entry->kind == LULL_ENTRY_FRAME_HW) {
		if (len < 8)
			return -EBADMSG;
		memcpy(&own, entry->data, 8);
		skip = 8;
	}
	if (len - skip > sizeof frame.data)
		return -EBADMSG;
	frame.t = lull_stamps_frame(&ears->stamps, entry->stamp);
	if (own)
		frame.t = lull_own_clock_frame(&ear->own, own, frame.t);
	frame.id = entry->id;
	frame.bus = (uint8_t)i;
	frame.flags = entry->flags & (uint8_t)~LULL_ENTRY_LOCAL;
	frame.len = (uint8_t)(len - skip);
	memcpy(frame.data, entry->data + skip, frame.len);
	if (frame.flags & LULL_FRAME_ERROR) {
		ear->count.errors++;
		r = hear_error(ears, i, &frame);
	} else {
		ear->count.frames++;
		if (!ear->count.first)
			ear->count.first = frame.t;
		if (!ear->count.last || frame.t - ear->count.last >= AWAKE_GAP)
			ear->awake_since = frame.t;
		ear->count.last = frame.t;
		ear->count.last_id = frame.id;
		if (entry->flags & LULL_ENTRY_LOCAL)
			r = hear_ourselves(ears, i);
	}
	if (ears->keep)
		lull_keep_frame(ears->keep, i, &frame);
	return r ? r : lull_book_frame(ears->book, &frame);
}

static int hear_lost(struct lull_ears *ears, unsigned i, const struct lull_entry *entry)
{
	struct lull_ear *ear = &ears->ear[i];

	if (entry->flags == LULL_LOST_RING)
		ear->count.lost_ring += entry->id;
	else
		ear->count.lost_socket += entry->id;
	lull_log(SD_WARNING, "bus %s: %" PRIu32 " frames lost %s", ears->config->bus[i].name, entry->id,
		entry->flags == LULL_LOST_RING ? "between receiver and recorder" : "in the socket's buffer");
	return lull_book_lost(ears->book, i, ear->count.last ? ear->count.last : entry->stamp, entry->stamp);
}

static int hear_opened(struct lull_ears *ears, unsigned i, const struct lull_entry *entry)
{
	struct lull_ear *ear = &ears->ear[i];
	int answer[2];

	if (entry->id != ear->generation || entry->len != sizeof answer)
		return 0; /* of a socket that is not wanted any more */
	memcpy(answer, entry->data, sizeof answer);
	if (answer[0]) {
		lull_log(SD_ERR, "bus %s: no socket for %s: %s", ears->config->bus[i].name, ear->interface, strerror(-answer[0]));
		ear->index = 0;
		return 0;
	}
	ear->open = true;
	ear->opened = entry->stamp;
	ear->buffer = (unsigned)answer[1];
	lull_log(SD_NOTICE, "bus %s: listening on %s, receive buffer of %u bytes", ears->config->bus[i].name, ear->interface,
		ear->buffer);
	int r = lull_book_hears(ears->book, i, LULL_BLIND_NOT_LISTENING, entry->stamp);

	return r ? r : lull_book_hears(ears->book, i, LULL_BLIND_LINK_DOWN, entry->stamp);
}

static int hear_broken(struct lull_ears *ears, unsigned i, const struct lull_entry *entry)
{
	struct lull_ear *ear = &ears->ear[i];
	int error = EIO;

	if (entry->id != ear->generation)
		return 0;
	if (entry->len == sizeof error)
		memcpy(&error, entry->data, sizeof error);
	if (error == ENETDOWN)
		return lull_book_blind(ears->book, i, LULL_BLIND_LINK_DOWN, entry->stamp);
	lull_log(SD_WARNING, "bus %s: the socket of %s is dead: %s", ears->config->bus[i].name, ear->interface, strerror(error));
	ear->index = 0;
	ear->open = false;
	return lull_book_blind(
		ears->book, i, error == ENODEV || error == ENXIO ? LULL_BLIND_ADAPTER_GONE : LULL_BLIND_NOT_LISTENING, entry->stamp);
}

static int hear(struct lull_ears *ears, const struct lull_entry *entry)
{
	int64_t boottime;

	if (entry->bus >= ears->config->bus_count)
		return 0;
	switch ((enum lull_entry_kind)entry->kind) {
	case LULL_ENTRY_FRAME:
	case LULL_ENTRY_FRAME_HW: return hear_frame(ears, entry->bus, entry);
	case LULL_ENTRY_CLOCK:
		if (entry->len != sizeof boottime)
			return -EBADMSG;
		memcpy(&boottime, entry->data, sizeof boottime);
		(void)lull_stamps_clock(&ears->stamps, entry->stamp, boottime);
		return 0;
	case LULL_ENTRY_LOST: return hear_lost(ears, entry->bus, entry);
	case LULL_ENTRY_OPENED: return hear_opened(ears, entry->bus, entry);
	case LULL_ENTRY_BROKEN: return hear_broken(ears, entry->bus, entry);
	case LULL_ENTRY_SKIP:
	case LULL_ENTRY_COUNT: break;
	}
	return 0;
}

int lull_ears_drain(struct lull_ears *ears, unsigned most)
{
	struct lull_ring *ring = &ears->receiver->shared->ring;
	_Alignas(8) uint8_t copy[(sizeof(struct lull_entry) + LULL_ENTRY_DATA + 7) & ~(size_t)7];
	unsigned n = 0;
	int r = 0;

	for (; n < most; n++) {
		const struct lull_entry *entry = lull_ring_peek(ring, &r);

		if (!entry)
			break;
		/* The other process could change it while it is read: what is looked at is a copy. */
		const size_t size = entry->size;

		if (size > sizeof copy)
			return -EBADMSG;
		memcpy(copy, entry, size);
		const struct lull_entry *mine = (const struct lull_entry *)(const void *)copy;

		if (mine->size != size)
			return -EBADMSG;
		lull_ring_take(ring, mine);
		if (mine->len > LULL_ENTRY_DATA || LULL_ENTRY_HEAD + mine->len > size)
			return -EBADMSG;
		r = hear(ears, mine);
		if (r)
			break;
	}
	return r ? r : (int)n;
}
