/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ears: adapters, links and controllers, and what of them is no hearing. */
#include <daemon/ears.h>
#include <daemon/log.h>

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define ASK_AGAIN (30 * LULL_SEC) /* a set-up that failed */
#define LOOK_EVERY (10 * LULL_SEC)
#define LOOK_SOON (2 * LULL_SEC) /* while a controller is passive or off */

static const struct lull_config_bus *bus_of(const struct lull_ears *ears, unsigned i)
{
	return &ears->config->bus[i];
}

/* While the receiver has not answered, the bus is known no further than all of it was heard: what was not fetched may be gone with the
 * link. */
static int lose(struct lull_ears *ears, unsigned i, enum lull_coverage_why why, int64_t now)
{
	const int64_t last = ears->ear[i].count.last;
	int64_t since = now;

	if (!lull_receiver_answered(ears->receiver))
		since = last > ears->heard ? last : ears->heard;
	return lull_book_blind(ears->book, i, why, since < now ? since : now);
}

/* --- listening --- */

static void stop_listening(struct lull_ears *ears, unsigned i)
{
	struct lull_ear *ear = &ears->ear[i];

	if (ear->index)
		lull_receiver_listen(ears->receiver, i, 0);
	ear->index = 0;
	ear->open = ear->stated = false;
	ear->generation = atomic_load(&ears->receiver->shared->wanted[i].generation);
}

static int listen_at(struct lull_ears *ears, unsigned i, int index, int64_t now)
{
	struct lull_ear *ear = &ears->ear[i];

	ear->index = index;
	ear->open = false;
	lull_own_clock_forget(&ear->own);
	lull_receiver_listen(ears->receiver, i, index);
	ear->generation = atomic_load(&ears->receiver->shared->wanted[i].generation);
	return lose(ears, i, LULL_BLIND_NOT_LISTENING, now);
}

/* --- set-up --- */

static void ask_for_setup(struct lull_ears *ears, unsigned i, const char *name, int64_t now)
{
	const struct lull_config_bus *bus = bus_of(ears, i);
	struct lull_ear *ear = &ears->ear[i];
	struct lull_link_spec spec = {.bitrate = bus->bitrate,
		.sample_permille = (uint32_t)(bus->sample_point * 1000 + 0.5),
		.fd_bitrate = bus->bitrate_data,
		.accept_acknowledging = bus->accept_acknowledging};

	if (!ears->helper || !bus->bitrate || ear->ticket || (ear->asked && now - ear->asked < ASK_AGAIN))
		return;
	ear->asked = now;
	(void)snprintf(spec.name, sizeof spec.name, "%s", name);
	const int r = lull_helper_ask(ears->helper, &spec, &ear->ticket);

	if (r)
		lull_log(SD_WARNING, "bus %s: %s cannot be set up: %s", bus->name, name, strerror(-r));
}

static bool may_listen(struct lull_ears *ears, unsigned i, const struct lull_link_state *state)
{
	const struct lull_config_bus *bus = bus_of(ears, i);
	struct lull_ear *ear = &ears->ear[i];
	char sentence[200];

	if (lull_link_listens_only(state)) {
		ear->refused = false;
		return true;
	}
	if (!bus->accept_acknowledging) {
		if (!ear->refused)
			lull_log(SD_ERR,
				"bus %s: %s is not in listen-only mode, so it would acknowledge frames and hold a lone node awake; "
				"it is not listened to. Set it up with `lull link`, or accept it with accept-acknowledging = yes",
				bus->name, state->name);
		ear->refused = true;
		return false;
	}
	(void)snprintf(sentence, sizeof sentence,
		"bus %s: the adapter acknowledged frames (listen-only was not to be had): a lone node may have been kept "
		"awake, or put to rest, by the recorder itself",
		bus->name);
	ear->refused = false;
	return lull_book_left_out(ears->book, sentence) == 0;
}

static int note_coalescing(struct lull_ears *ears, unsigned i, const char *name, int64_t now)
{
	struct lull_coalescing c;

	if ((ears->io ? ears->io->coalescing(name, &c) : lull_coalescing_read(name, &c)) || !lull_coalescing_holds(&c))
		return lull_book_hears(ears->book, i, LULL_BLIND_COALESCING, now);
	if (!lull_book_is_blind(ears->book, i, LULL_BLIND_COALESCING))
		lull_log(SD_ERR,
			"bus %s: the driver of %s holds frames back until %u have come (receive coalescing): silence proves nothing; "
			"`ethtool -C %s rx-frames-irq 1` ends that",
			bus_of(ears, i)->name, name, c.frames_irq > c.frames ? c.frames_irq : c.frames, name);
	return lull_book_blind(ears->book, i, LULL_BLIND_COALESCING, now);
}

/* Reads how the link stands and follows from that. */
static int look(struct lull_ears *ears, unsigned i, int64_t now)
{
	const struct lull_link_io io = ears->io ? ears->io->link : lull_link_kernel();
	struct lull_ear *ear = &ears->ear[i];
	struct lull_link_state state;
	int r = lull_link_query(&io, ear->interface, &state);

	ear->looked = now;
	if (r)
		return 0; /* the watch tells what became of it */
	if (ear->stated && state.index == ear->state.index && state.frames_lost > ear->state.frames_lost) {
		ear->count.lost_controller += state.frames_lost - ear->state.frames_lost;
		r = lull_book_lost(ears->book, i, ear->count.last ? ear->count.last : now, now);
	}
	ear->state = state;
	ear->stated = true;
	if (r)
		return r;
	switch (state.controller) {
	case LULL_CONTROLLER_PASSIVE:
		r = lull_book_blind(ears->book, i, LULL_BLIND_ERROR_PASSIVE, now);
		break;
	case LULL_CONTROLLER_BUS_OFF:
		r = lull_book_blind(ears->book, i, LULL_BLIND_BUS_OFF, now);
		break;
	case LULL_CONTROLLER_ACTIVE:
	case LULL_CONTROLLER_WARNING:
	case LULL_CONTROLLER_UNKNOWN:
		r = lull_book_hears(ears->book, i, LULL_BLIND_ERROR_PASSIVE, now);
		if (!r)
			r = lull_book_hears(ears->book, i, LULL_BLIND_BUS_OFF, now);
		break;
	case LULL_CONTROLLER_STOPPED:
	case LULL_CONTROLLER_SLEEPING: break;
	}
	return r;
}

/* The adapter is there: is it up, and may it be listened to? */
static int take_adapter(struct lull_ears *ears, unsigned i, const struct lull_adapter *adapter, int64_t now)
{
	struct lull_ear *ear = &ears->ear[i];
	int r = lull_book_hears(ears->book, i, LULL_BLIND_ADAPTER_GONE, now);

	(void)snprintf(ear->interface, sizeof ear->interface, "%s", adapter->name);
	(void)snprintf(ear->adapter, sizeof ear->adapter, "%s", adapter->key);
	if (!r && !adapter->up) {
		r = lose(ears, i, LULL_BLIND_LINK_DOWN, now);
		/* The socket of an interface that is down lives on, and so does that of one that was not opened yet. */
		if (adapter->index != ear->index)
			stop_listening(ears, i);
		ask_for_setup(ears, i, adapter->name, now);
		return r;
	}
	if (ear->ticket || r)
		return r; /* it is being set up: the answer comes first */
	if (adapter->index == ear->index && ear->open)
		return lull_book_hears(ears->book, i, LULL_BLIND_LINK_DOWN, now);
	r = look(ears, i, now);
	if (r || !ear->stated)
		return r;
	if (!may_listen(ears, i, &ear->state)) {
		stop_listening(ears, i);
		ask_for_setup(ears, i, adapter->name, now);
		return 0;
	}
	r = note_coalescing(ears, i, adapter->name, now);
	return r ? r : listen_at(ears, i, adapter->index, now);
}

static int look_for(struct lull_ears *ears, unsigned i, int64_t now)
{
	const struct lull_config_bus *bus = bus_of(ears, i);
	const struct lull_adapter *adapter = lull_watch_find(ears->watch, bus->adapter[0] ? bus->adapter : bus->interface);
	struct lull_ear *ear = &ears->ear[i];

	if (adapter) {
		/* Another one under the same name is a new one, whatever the index. */
		if (ear->index && adapter->index != ear->index)
			stop_listening(ears, i);
		return take_adapter(ears, i, adapter, now);
	}
	if (ear->index)
		stop_listening(ears, i);
	ear->ticket = 0;
	ear->asked = 0;
	int r = lose(ears, i, LULL_BLIND_ADAPTER_GONE, now);

	/* What was wrong with it has gone with it. */
	if (!r)
		r = lull_book_hears(ears->book, i, LULL_BLIND_LINK_DOWN, now);
	if (!r)
		r = lull_book_hears(ears->book, i, LULL_BLIND_ERROR_PASSIVE, now);
	return r ? r : lull_book_hears(ears->book, i, LULL_BLIND_BUS_OFF, now);
}

int lull_ears_begin(struct lull_ears *ears, const struct lull_moment *now)
{
	int r = 0;

	for (unsigned i = 0; i < ears->config->bus_count && !r; i++) {
		r = lull_book_blind(ears->book, i, LULL_BLIND_NOT_LISTENING, now->boot);
		if (!r)
			r = look_for(ears, i, now->boot);
	}
	return r;
}

int lull_ears_new_book(struct lull_ears *ears, struct lull_book *book, const struct lull_moment *now)
{
	struct lull_book *before = ears->book;
	int r = 0;

	ears->book = book;
	for (unsigned i = 0; i < ears->config->bus_count; i++) {
		struct lull_ear_counts *count = &ears->ear[i].count;
		int64_t since;
		const unsigned reasons = before ? lull_book_blindness(before, i, &since) : 0;

		/* Counts are the book's; when the bus was heard last is the bus's. */
		*count = (struct lull_ear_counts){.first = count->first, .last = count->last, .last_id = count->last_id};
		for (int why = 0; why < LULL_COVERAGE_COUNT && !r; why++)
			if (reasons & 1u << why)
				r = lull_book_blind(book, i, (enum lull_coverage_why)why, now->boot);
		if (!r && ears->ear[i].stated)
			(void)may_listen(ears, i, &ears->ear[i].state);
	}
	return r;
}

int lull_ears_deaf(struct lull_ears *ears, const struct lull_moment *now)
{
	int r = 0;

	for (unsigned i = 0; i < ears->config->bus_count && !r; i++) {
		struct lull_ear *ear = &ears->ear[i];

		ear->index = 0;
		ear->open = false;
		r = lull_book_blind(ears->book, i, LULL_BLIND_NOT_LISTENING, now->boot);
		if (!r)
			r = look_for(ears, i, now->boot);
	}
	return r;
}

/* --- news of links --- */

struct changes {
	struct lull_ears *ears;
	int64_t now;
};

static void on_event(void *ctx, enum lull_watch_event event, const struct lull_adapter *adapter)
{
	const struct changes *c = ctx;
	struct lull_ears *ears = c->ears;

	if (!adapter)
		return;
	for (unsigned i = 0; i < ears->config->bus_count; i++) {
		struct lull_ear *ear = &ears->ear[i];

		if (strcmp(adapter->key, ear->adapter) != 0 && adapter->index != ear->index)
			continue;
		lull_log(SD_NOTICE, "bus %s: %s (%s) %s", bus_of(ears, i)->name, adapter->name, adapter->key,
			lull_watch_event_name(event));
		/* One that went and came back before it was looked at has the same name and perhaps the same index, and no socket. */
		if (event == LULL_WATCH_GONE && adapter->index == ear->index)
			stop_listening(ears, i);
		if (event == LULL_WATCH_GONE) {
			ear->asked = 0;
			ear->ticket = 0;
		}
	}
}

int lull_ears_watch(struct lull_ears *ears, const struct lull_moment *now)
{
	struct changes changes = {ears, now->boot};
	int r = lull_watch_read(ears->watch, on_event, &changes);

	if (r && r != -EAGAIN)
		lull_log(SD_WARNING, "news of network interfaces cannot be read: %s", strerror(-r));
	r = 0;
	for (unsigned i = 0; i < ears->config->bus_count && !r; i++)
		r = look_for(ears, i, now->boot);
	return r;
}

static int take_answer(struct lull_ears *ears, unsigned i, const struct lull_helper_answer *answer, const struct lull_moment *now)
{
	struct lull_ear *ear = &ears->ear[i];

	ear->ticket = 0;
	if (answer->result != LULL_LINK_SET)
		lull_log(SD_ERR, "bus %s: %s is not set up (%s)%s%s", bus_of(ears, i)->name, ear->interface,
			lull_link_result_name(answer->result), answer->why[0] ? ": " : "", answer->why);
	else
		lull_log(SD_NOTICE, "bus %s: %s is set up: %" PRIu32 " bit/s, %s%s%s", bus_of(ears, i)->name, ear->interface,
			answer->state.bitrate, lull_link_listens_only(&answer->state) ? "listen-only" : "ACKNOWLEDGING",
			answer->why[0] ? "; " : "", answer->why);
	/* It went down and up meanwhile: the socket is opened anew, so that its silence has to be proven anew. */
	if (answer->result == LULL_LINK_SET)
		stop_listening(ears, i);
	return look_for(ears, i, now->boot);
}

int lull_ears_helper(struct lull_ears *ears, const struct lull_moment *now)
{
	struct lull_helper_answer answer;
	int r;

	while (!(r = lull_helper_answer(ears->helper, &answer)))
		for (unsigned i = 0; i < ears->config->bus_count; i++)
			if (ears->ear[i].ticket && ears->ear[i].ticket == answer.ticket) {
				r = take_answer(ears, i, &answer, now);
				if (r)
					return r;
			}
	if (r == -EAGAIN)
		return 0;
	lull_log(SD_ERR, "the helper that sets links up has ended: adapters that come back stay as they are");
	lull_helper_stop(ears->helper);
	ears->helper = NULL;
	for (unsigned i = 0; i < ears->config->bus_count; i++)
		ears->ear[i].ticket = 0;
	return 0;
}

int lull_ears_tick(struct lull_ears *ears, const struct lull_moment *now)
{
	int r = 0;

	for (unsigned i = 0; i < ears->config->bus_count && !r; i++) {
		struct lull_ear *ear = &ears->ear[i];
		const bool unwell = lull_book_is_blind(ears->book, i, LULL_BLIND_ERROR_PASSIVE) ||
			lull_book_is_blind(ears->book, i, LULL_BLIND_BUS_OFF);

		if (ear->open && now->boot - ear->looked >= (unwell ? LOOK_SOON : LOOK_EVERY))
			r = look(ears, i, now->boot);
		else if (!ear->open && now->boot - ear->looked >= LOOK_EVERY) {
			ear->looked = now->boot;
			r = look_for(ears, i, now->boot);
		}
	}
	return r;
}
