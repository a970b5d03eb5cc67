/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ready: is all in place for the night? Trade rules 2, 4, 6, 9, 18, 19, 25, 26 and 28 as lines for the person at the car. */
#include <lull/ready.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct page {
	struct lull_ready_line *out;
	size_t n, max;
};

const char *lull_ready_level_name(enum lull_ready_level l)
{
	switch (l) {
	case LULL_READY_FINE: return "fine";
	case LULL_READY_CAREFUL: return "careful";
	case LULL_READY_STOP: break;
	}
	return "stop";
}

struct lull_ready_facts lull_ready_facts_default(void)
{
	struct lull_ready_facts f = {.limit_mA = 50, .watts = 3.5, .night_h = 12};

	f.clamp.mean_mA = f.clamp.noise_mA = f.clamp.load_mA = f.clamp.load_seen_mA = (double)NAN;
	f.free_MB = f.need_MB = f.bank_Wh = f.battery_V = (double)NAN;
	return f;
}

/* A line; what to do is set afterwards with todo(). */
LULL_PRINTF(4, 5)
static void line(struct page *p, enum lull_ready_level level, const char *what, const char *format, ...)
{
	struct lull_ready_line *l = &p->out[p->n];
	va_list ap;

	if (p->n == p->max)
		return;
	p->n++;
	memset(l, 0, sizeof *l);
	l->level = level;
	(void)snprintf(l->what, sizeof l->what, "%s", what);
	va_start(ap, format);
	(void)vsnprintf(l->text, sizeof l->text, format, ap);
	va_end(ap);
}

LULL_PRINTF(2, 3) static void todo(struct page *p, const char *format, ...)
{
	va_list ap;

	if (!p->n)
		return;
	va_start(ap, format);
	(void)vsnprintf(p->out[p->n - 1].todo, sizeof p->out->todo, format, ap);
	va_end(ap);
}

/* --- buses --- */

/* False: there is nothing to listen with. */
static bool adapter(struct page *p, const struct lull_ready_bus *b)
{
	if (!b->present) {
		line(p, LULL_READY_STOP, b->name, "no adapter");
		todo(p, "Plug it in; 'lull link --list' shows what the kernel sees");
		return false;
	}
	if (!b->up) {
		line(p, LULL_READY_STOP, b->name, "the link is down");
		todo(p, "Set it up: lull link INTERFACE --bitrate RATE; the rate is found with lull link --search INTERFACE");
		return false;
	}
	if (b->bus_off) {
		line(p, LULL_READY_STOP, b->name, "the controller is bus-off, which a listener never should be: it was sending or acknowledging");
		todo(p, "Set the link up anew and look whether listen-only is kept; else take another adapter");
		return false;
	}
	return true;
}

static void listening(struct page *p, const struct lull_ready_bus *b)
{
	if (b->simulated)
		line(p, LULL_READY_CAREFUL, b->name, "a simulated interface: no car hangs on it");
	else if (b->listens_only)
		line(p, LULL_READY_FINE, b->name, "listen-only, as the kernel reads it back");
	else if (b->accepted)
		line(p, LULL_READY_CAREFUL, b->name, "acknowledges frames, as the configuration accepts: a lone waking node gets an answer that the "
						     "car would not give it");
	else {
		line(p, LULL_READY_STOP, b->name, "the link acknowledges frames: the car would not behave as it does alone");
		todo(p, "lull link INTERFACE --bitrate RATE sets it to listen-only, or says that this adapter cannot");
	}
	if (b->listens_only && !b->simulated)
		todo(p, "The flag is what the driver was asked for. Proof for an adapter's model, once, on the bench: a lone sender "
			"against it must go error-passive");
	if (b->sent) {
		line(p, LULL_READY_STOP, b->name, "%llu frames were sent here since the interface was made: another program takes part in this bus",
			(unsigned long long)b->sent);
		todo(p, "End that program, then set the link up anew");
	}
	if (!b->simulated && b->wanted_bitrate && b->bitrate && b->bitrate != b->wanted_bitrate) {
		line(p, LULL_READY_STOP, b->name, "runs at %u bit/s, the configuration says %u", b->bitrate, b->wanted_bitrate);
		todo(p, "lull link --search INTERFACE, key on, tells which is right");
	}
	if (b->holds_frames) {
		line(p, LULL_READY_STOP, b->name, "the driver holds frames back without a time limit (receive coalescing): a slow sender is shown "
						  "minutes late");
		todo(p, "ethtool -C INTERFACE rx-usecs-irq 1000");
	}
	if (!b->simulated && !b->shows_errors) {
		line(p, LULL_READY_CAREFUL, b->name, "this adapter does not show bus errors: a wrong bit rate looks like silence, and an "
						     "unacknowledged start is not seen");
	}
}

/* The key-on test: is this a bus on which the night can be seen? (Trade rule 2.) */
static void representative(struct page *p, const struct lull_ready_bus *b)
{
	const struct lull_ready_traffic *t = b->traffic;
	unsigned cyclic = lull_ready_cyclic(t);

	if (cyclic >= 2) {
		line(p, LULL_READY_FINE, b->name, "alive: %u IDs in a steady rhythm of %u, %llu frames in %.0f s", cyclic, t->ids,
			(unsigned long long)t->frames, b->listened_s);
	} else if (t->frames && t->requests + t->answers == t->frames) {
		line(p, LULL_READY_STOP, b->name, "only answers to a tester: a gateway shows nothing else at this port, and its silence says nothing");
		todo(p, "Listen behind the gateway: at a module's own plug or a splice of that bus, by the maker's wiring diagram; and take "
			"the tester off");
	} else {
		line(p, LULL_READY_STOP, b->name, "with the key on %u IDs came, %u of them in a steady rhythm: this is hardly the inner bus", t->ids,
			cyclic);
		todo(p, "Listen longer (--listen), or at a module's own plug behind the gateway");
	}
}

static void traffic(struct page *p, const struct lull_ready_bus *b, bool key_on)
{
	const struct lull_ready_traffic *t = b->traffic;

	if (b->gone) {
		line(p, LULL_READY_STOP, b->name, "the adapter went away, or its link down, while listening");
		todo(p, "Check plug, cable and supply: a night with such holes is blind");
		return;
	}
	if (!t->frames && t->errors) {
		line(p, LULL_READY_STOP, b->name, "only bus errors (%llu): the bit rate is wrong, or the bus is CAN FD, or the transceiver of another kind",
			(unsigned long long)t->errors);
		todo(p, "lull link --search INTERFACE, key on");
		return;
	}
	if (!t->frames && key_on) {
		line(p, LULL_READY_STOP, b->name, "nothing heard in %.0f s with the key on: a bus never heard is not quiet, it is unknown", b->listened_s);
		todo(p, "Key on? Right pins (CAN high 6, CAN low 14, ground 4 or 5)? Then lull link --search INTERFACE; else a gateway hides it");
		return;
	}
	if (!t->frames) {
		line(p, LULL_READY_CAREFUL, b->name, "nothing heard in %.0f s with the key off: it may sleep", b->listened_s);
		todo(p, "Check it once with the key on: without having been heard its silence proves nothing");
		return;
	}
	if (key_on)
		representative(p, b);
	else
		line(p, LULL_READY_FINE, b->name, "%llu frames of %u IDs in %.0f s", (unsigned long long)t->frames, t->ids, b->listened_s);
	if (t->errors * 50 > t->frames || b->passive) {
		line(p, LULL_READY_CAREFUL, b->name, "%llu bus errors beside %llu frames%s", (unsigned long long)t->errors,
			(unsigned long long)t->frames, b->passive ? ", controller error-passive" : "");
		todo(p, "Is the adapter's terminator off (the car has its two)? Ground connected, plug firm, leads short?");
	}
	if (b->lost) {
		line(p, LULL_READY_CAREFUL, b->name, "%llu frames were lost while listening", (unsigned long long)b->lost);
		todo(p, "Is the board busy with something else?");
	}
	if (t->requests) {
		line(p, LULL_READY_CAREFUL, b->name, "a tester or dongle asks on this bus (%llu requests): it keeps modules awake by itself",
			(unsigned long long)t->requests);
		todo(p, "Take it off, unless it is part of the complaint: then one night with it and one without");
	}
}

/* Three deliberate wakes as the reference (trade rule 9). */
static void wakes(struct page *p, const struct lull_ready_bus *b, unsigned wanted)
{
	const struct lull_ready_traffic *t = b->traffic;
	unsigned i, n = t->wakes < LULL_READY_WAKES ? t->wakes : LULL_READY_WAKES;
	char id[11];
	bool same = n > 1;

	if (t->wakes < wanted) {
		line(p, LULL_READY_CAREFUL, b->name, "%u of %u deliberate wakes were seen", t->wakes, wanted);
		todo(p, "Let it sleep between them (silence of 2 s at least); a wake that this bus does not show cannot be told from none");
		return;
	}
	for (i = 1; i < n; i++)
		same &= t->first_id[i] == t->first_id[0];
	if (same)
		line(p, LULL_READY_FINE, b->name, "%u deliberate wakes, %s first each time: that it is first at night will accuse nobody", t->wakes,
			lull_id_text(t->first_id[0], id));
	else
		line(p, LULL_READY_FINE, b->name, "%u deliberate wakes, not always the same ID first", t->wakes);
	todo(p, "While the recorder runs, give each its mark (lull mark door, lull mark \"key on\"): it compares the night's wakes with them");
}

static void bus(struct page *p, const struct lull_ready_bus *b, const struct lull_ready_facts *f)
{
	if (!adapter(p, b))
		return;
	listening(p, b);
	if (b->listened && b->traffic)
		traffic(p, b, f->key_on);
	if (b->listened && b->traffic && f->wakes_wanted)
		wakes(p, b, f->wakes_wanted);
}

/* --- the clamp --- */

static void clamp(struct page *p, const struct lull_ready_facts *f)
{
	const double average = f->clamp.noise_mA / sqrt(fmax(f->clamp.readings, 1));

	if (!f->clamp.wanted) {
		line(p, LULL_READY_CAREFUL, "clamp", "no current is measured: without it there is no all-clear");
		todo(p, "Name the clamp's meter in the configuration, or let it log by itself and give the log to lull import");
		return;
	}
	if (!f->clamp.answers) {
		line(p, LULL_READY_STOP, "clamp", "no reading: %s", f->clamp.why);
		todo(p, "Is the meter on, its automatic switch-off disabled, the line plugged in? A lost meter is no low draw");
		return;
	}
	if (f->clamp.over * 10 > f->clamp.readings) {
		line(p, LULL_READY_STOP, "clamp", "%u of %u readings are beyond its range", f->clamp.over, f->clamp.readings);
		todo(p, "Take the coarser range for the moment of switching off, or check scale and jaws");
	} else if (f->clamp.off_cable) {
		line(p, fabs(f->clamp.mean_mA) > 500 ? LULL_READY_CAREFUL : LULL_READY_FINE, "clamp",
			"zero %+.1f mA, good to %.1f mA; noise of one reading %.1f mA", f->clamp.mean_mA, 2 * average, f->clamp.noise_mA);
		todo(p, "Zero it in the place and attitude where it will hang, jaws shut, and give the mark clamp zero; again in the morning");
	} else {
		line(p, LULL_READY_FINE, "clamp", "reads %+.1f mA now, noise of one reading %.1f mA", f->clamp.mean_mA, f->clamp.noise_mA);
		todo(p, "For the zero: jaws shut, off the cable, lull check --zero. The level is only as good as the zero");
	}
	/* A minute's average is what a level rests on; a step is seen from one reading to the next few. */
	if (f->clamp.noise_mA > f->limit_mA) {
		line(p, LULL_READY_CAREFUL, "clamp", "its noise of %.0f mA is more than the limit of %.0f mA: single short pulses drown in it",
			f->clamp.noise_mA, f->limit_mA);
		todo(p, "A finer range or clamp; away from mains leads and chargers");
	}
	if (f->clamp.readings >= 10 && f->clamp.noise_mA == 0) {
		line(p, LULL_READY_CAREFUL, "clamp", "%u readings, all the same: a live meter has noise in its last digit", f->clamp.readings);
		todo(p, "Is the display frozen (HOLD), the clamp switched off, the range too coarse?");
	}
}

static void load(struct page *p, const struct lull_ready_facts *f)
{
	const double told = f->clamp.load_mA, seen = f->clamp.load_seen_mA;

	if (isnan(told) || !f->clamp.answers)
		return;
	if (isnan(seen)) {
		line(p, LULL_READY_STOP, "test load", "no step of some %.0f mA was seen", told);
		todo(p, "From battery positive to body, so that its current passes the clamp; do all negative cables pass it?");
	} else if (seen * told < 0) {
		line(p, LULL_READY_CAREFUL, "test load", "%.0f mA read as %.0f mA: the clamp hangs the other way round", told, seen);
		todo(p, "Turn it, or say invert in the configuration");
	} else if (fabs(seen - told) > 0.1 * fabs(told) + 2 * f->clamp.noise_mA) {
		line(p, LULL_READY_STOP, "test load", "%.0f mA read as %.0f mA", told, seen);
		todo(p, "Is the clamp's scale the right one (%.3g times what is set would fit)? Do all cables pass the clamp?", seen / told);
	} else {
		line(p, LULL_READY_FINE, "test load", "%.0f mA read as %.0f mA", told, seen);
		todo(p, "While the recorder runs: 7 s on, 3 s off, 5 s on, with the mark test load %.0f mA, in the evening and in the morning", told);
	}
}

/* --- the board --- */

static void board(struct page *p, const struct lull_ready_facts *f)
{
	if (f->clock_set)
		line(p, LULL_READY_FINE, "clock", "set by the network or a clock of its own");
	else {
		line(p, LULL_READY_FINE, "clock", "not set: durations are right all the same, dates appear once it is known");
		todo(p, "If no network comes before the morning, note the hour of one mark");
	}
	if (f->free_MB < 100 || f->free_MB < f->need_MB) {
		line(p, LULL_READY_STOP, "space", "%.0f MB free", f->free_MB);
		todo(p, "Make room: a night takes some 10 to 40 MB, all frames kept %s", f->need_MB > 100 ? "far more" : "far more if chosen");
	} else if (f->free_MB < 500)
		line(p, LULL_READY_CAREFUL, "space", "%.0f MB free: enough for a night, not for many", f->free_MB);
	else if (!isnan(f->free_MB))
		line(p, LULL_READY_FINE, "space", "%.0f MB free", f->free_MB);
	switch (f->board) {
	case LULL_VOLTAGE_UNKNOWN: break;
	case LULL_VOLTAGE_FINE: line(p, LULL_READY_FINE, "power", "no undervoltage since the start"); break;
	case LULL_VOLTAGE_WAS_LOW:
		line(p, LULL_READY_CAREFUL, "power", "the board's supply was too low since the start");
		todo(p, "A shorter and thicker cable, a stronger supply: adapters drop out first");
		break;
	case LULL_VOLTAGE_LOW:
		line(p, LULL_READY_STOP, "power", "the board's supply is too low now");
		todo(p, "A shorter and thicker cable, a stronger supply");
		break;
	}
}

/* --- supply of the logger, and the car's battery --- */

static void supply(struct page *p, const struct lull_ready_facts *f)
{
	const double hours = f->bank_Wh * 0.85 / f->watts; /* what a converter leaves of it [mem] */

	switch (f->supply) {
	case LULL_SUPPLY_UNKNOWN:
		line(p, LULL_READY_CAREFUL, "supply", "what feeds this logger was not told");
		todo(p, "--supply bank:74Wh, port, car or mains");
		break;
	case LULL_SUPPLY_PORT:
	case LULL_SUPPLY_CAR:
		/* 3.5 W at 12 V: some 290 mA (trade rule 28). */
		line(p, LULL_READY_CAREFUL, "supply", "your logger draws from the car: some %.0f mA at 12 V, against a limit of %.0f mA",
			f->watts / 12 * 1000, f->limit_mA);
		todo(p, "A power bank instead%s; else say logger_mA in the profile, and it is taken off",
			f->supply == LULL_SUPPLY_PORT ? ", and nothing on pin 16" : "");
		break;
	case LULL_SUPPLY_BANK:
		if (!(hours > 0))
			line(p, LULL_READY_CAREFUL, "supply", "a power bank whose size was not told");
		else
			line(p, hours < f->night_h ? LULL_READY_STOP : hours < 1.25 * f->night_h ? LULL_READY_CAREFUL : LULL_READY_FINE, "supply",
				"the power bank lasts some %.0f h at %.1f W; the night is to have %.0f h", hours, f->watts, f->night_h);
		todo(p, "No lithium pack in a hot closed car; a bank that switches off at low load ends the night early");
		break;
	case LULL_SUPPLY_MAINS:
		line(p, LULL_READY_CAREFUL, "supply", "fed from the mains");
		todo(p, "Isolated adapter and supply: nothing mains-earthed may touch the car's ground");
		break;
	}
	if (f->battery_V < 12.2) {
		line(p, LULL_READY_STOP, "battery", "%.2f V: modules behave otherwise at low voltage, and may wake because of it", f->battery_V);
		todo(p, "Charge it, take the charger off, wait four hours");
	} else if (f->battery_V > 13.2) {
		line(p, LULL_READY_STOP, "battery", "%.2f V: a charger is on, or the engine runs", f->battery_V);
		todo(p, "Take the charger off");
	} else if (!isnan(f->battery_V))
		line(p, LULL_READY_FINE, "battery", "%.2f V", f->battery_V);
}

size_t lull_ready_judge(const struct lull_ready_facts *f, struct lull_ready_line *out, size_t max)
{
	struct page p = {.out = out, .max = max};
	size_t i;

	if (!f->bus_count) {
		line(&p, LULL_READY_STOP, "bus", "no bus to listen to");
		todo(&p, "Name an interface (lull link --list shows them), or one in the configuration");
	}
	for (i = 0; i < f->bus_count; i++)
		bus(&p, &f->bus[i], f);
	clamp(&p, f);
	load(&p, f);
	board(&p, f);
	supply(&p, f);
	return p.n;
}

enum lull_ready_level lull_ready_worst(const struct lull_ready_line *l, size_t n)
{
	enum lull_ready_level worst = LULL_READY_FINE;
	size_t i;

	for (i = 0; i < n; i++)
		worst = l[i].level > worst ? l[i].level : worst;
	return worst;
}

const char *const *lull_ready_questions(size_t *n)
{
	static const char *const all[] = {
		"What was plugged into the diagnostic port when the battery went flat? A night with it and one without tell.",
		"What was added: dash camera, tow module, radio, tracker, charger lead? These are the commonest answer.",
		"Latches of doors, bonnet and boot tricked shut, so that you need not open them at night? Release them before closing.",
		"All keys, and telephones that are keys, far away? A key within some metres holds modules awake.",
		"Locked and armed as the customer leaves it, lights and retained power off?",
		"Charger off; a hybrid or electric car unplugged? High-voltage parts by the maker's procedure only.",
		"Does all current pass the clamp: every cable of that post, behind the battery sensor, each battery with a clamp of its own?",
		"A fan, pump, fuel-vapour test or charging may run hours after key-off, rightly, and by itself: keep hands away.",
		"Leads clear of pedals, nothing under the dash while anybody drives?",
		"Recorder running and hearing the bus (lull status)? Then key off, and the mark: lull mark \"key off\".",
	};

	*n = sizeof all / sizeof all[0];
	return all;
}
