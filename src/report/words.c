/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words: what the enums and figures of a verdict are called where a person reads them. One place for every form. */
#include <report/words.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

/* Quiet behind a port that a gateway closed is no sleep (first_quiet is unknown then). */
static bool slept(const struct lull_verdict *v, const struct lull_finding *f)
{
	return f->bus < LULL_BUS_MAX && v->bus[f->bus].first_quiet != LULL_NEVER;
}

const char *lull_words_headline(const struct lull_verdict *v, const struct lull_finding *f)
{
	switch (f->code) {
	case LULL_WITHIN_LIMIT: return "Asleep in time, and the draw is within the limit.";
	case LULL_DRAW_NOT_MEASURED:
		return slept(v, f) ? "Asleep in time. The draw was not measured, so this is no all-clear."
				   : "Nothing is known of its sleep, and the draw was not measured.";
	case LULL_TOO_EARLY: return "Too early to say: not observed long enough since the last disturbance.";
	case LULL_HELD_AWAKE: return "The network is held awake: it did not go to sleep.";
	case LULL_LATE_TO_SLEEP: return "The network went to sleep, but later than the limit.";
	case LULL_WOKEN_AGAIN: return "The network slept and was woken again.";
	case LULL_WOKEN_FROM_OUTSIDE:
		return "The network was woken from outside: no node of this bus began it.";
	case LULL_DRAW_WHILE_QUIET:
		return "Current is drawn while this network is quiet: it is not this network.";
	case LULL_PULSES_WHILE_QUIET: return "The current steps up while this network is quiet.";
	case LULL_BUS_NOT_VISIBLE: return "The car is awake, but this connection does not show it.";
	case LULL_BLIND: return "Too little of the night was observed to say.";
	case LULL_CLAMP_LOST: return "The clamp's log ends early: nothing is said of the current after that.";
	case LULL_CODE_COUNT: break;
	}
	return "";
}

const char *lull_words_deed(enum lull_role role)
{
	switch (role) {
	case LULL_KEEPER: return "asks for the network";
	case LULL_WAKER: return "wakes it";
	case LULL_LOAD: return "draws current";
	case LULL_RELAY: return "passes on another bus";
	}
	return "";
}

const struct lull_suspect *lull_words_accused(const struct lull_finding *f)
{
	return f->named >= 0 && (size_t)f->named < f->suspects.n ? &f->suspects.at[f->named] : NULL;
}

unsigned lull_words_percent(double confidence)
{
	if (!(confidence > 0))
		return 0;
	return confidence >= 1 ? 100 : confidence > 0.99 ? 99 : (unsigned)(confidence * 100 + 0.5);
}

/* "A", "A and B", "A, B and C". */
static void enumerate(const struct lull_finding *f, char *buf, size_t size)
{
	size_t used = 0, i;

	for (i = 0; i < f->suspects.n && used < size; i++) {
		const char *join = !i ? "" : i + 1 == f->suspects.n ? " and " : ", ";

		used += (size_t)snprintf(buf + used, size - used, "%s%s", join, f->suspects.at[i].node);
	}
}

/* Who it comes down to, in one sentence. */
void lull_words_who(const struct lull_finding *f, char *buf, size_t size)
{
	const struct lull_suspect *s = lull_words_accused(f);
	char names[320];

	buf[0] = 0;
	if (s) {
		(void)snprintf(buf, size, "%s %s (%s, %u %% on invented nights).", s->node, lull_words_deed(s->role),
			lull_standing_name(s->standing), lull_words_percent(s->confidence));
	} else if (f->suspects.n > 3) {
		(void)snprintf(buf, size, "%zu nodes remain; the evidence does not decide between them.",
			f->suspects.n);
	} else if (f->suspects.n > 1) {
		enumerate(f, names, sizeof names);
		(void)snprintf(buf, size, "The evidence does not decide between %s.", names);
	} else if (f->suspects.n == 1 && f->suspects.at) {
		s = &f->suspects.at[0];
		if (s->role == LULL_LOAD || s->role == LULL_RELAY)
			(void)snprintf(buf, size, "%s %s; it is not accused.", s->node, lull_words_deed(s->role));
		else
			(void)snprintf(buf, size,
				"%s comes first, but the evidence does not suffice to name it.", s->node);
	}
}

/* "1,234,567" */
const char *lull_words_grouped(uint64_t n, char buf[static LULL_WHEN])
{
	char digits[24];
	size_t len, i, used = 0;

	len = (size_t)snprintf(digits, sizeof digits, "%" PRIu64, n);
	for (i = 0; i < len; i++) {
		buf[used++] = digits[i];
		if (i + 1 < len && (len - i - 1) % 3 == 0)
			buf[used++] = ',';
	}
	buf[used] = 0;
	return buf;
}

const char *lull_words_by(enum lull_by by)
{
	switch (by) {
	case LULL_FROM_NOTHING: return "source unknown";
	case LULL_FROM_MARK: return "told by a mark";
	case LULL_FROM_TRAFFIC: return "seen in the traffic";
	case LULL_FROM_CURRENT: return "seen in the current";
	case LULL_FROM_KEY_OFF: return "counted from key-off";
	case LULL_FROM_DISTURBANCE: return "counted from the last disturbance";
	case LULL_FROM_START: return "counted from the start of the recording";
	}
	return "";
}

const char *lull_words_limit(enum lull_limit_source source)
{
	switch (source) {
	case LULL_LIMIT_RULE_OF_THUMB: return "a rule of thumb, not the maker's values";
	case LULL_LIMIT_USER: return "as given with the command";
	case LULL_LIMIT_PROFILE: return "from the profile";
	case LULL_LIMIT_MAKER: return "the maker's values, from the profile";
	}
	return "";
}

const char *lull_words_proof(enum lull_proof proof)
{
	switch (proof) {
	case LULL_PROOF_NONE: return "nothing proves that the adapter still heard";
	case LULL_PROOF_CONTROLLER: return "the controller says so, a weak proof";
	case LULL_PROOF_CURRENT: return "the current proves it";
	case LULL_PROOF_FRAMES_AFTER: return "frames heard later prove it";
	}
	return "";
}

const char *lull_words_kind(enum lull_spell_kind kind)
{
	switch (kind) {
	case LULL_SPELL_BEFORE: return "before";
	case LULL_SPELL_SETTLING: return "settling";
	case LULL_SPELL_WAKE: return "wake";
	case LULL_SPELL_BY_US: return "by us";
	case LULL_SPELL_MORNING: return "morning";
	}
	return "";
}

const char *lull_words_blind(enum lull_coverage_why why)
{
	switch (why) {
	case LULL_BLIND_CAPTURE_ENDED:
		return "the capture had ended, and nothing tells that anybody still listened";
	case LULL_BLIND_NOT_LISTENING: return "nobody listened";
	case LULL_BLIND_CLOCK_STEP: return "the source's clock was set";
	case LULL_BLIND_FRAMES_LOST: return "frames were lost";
	case LULL_BLIND_UNDECIDED: return "a silence or a clock that was set: it cannot be told which";
	case LULL_BLIND_FILE_DAMAGED: return "the file is damaged";
	case LULL_OBSERVED: return "observed";
	case LULL_BLIND_LINK_DOWN: return "the link was down";
	case LULL_BLIND_ADAPTER_GONE: return "the adapter was gone";
	case LULL_BLIND_ERROR_PASSIVE: return "the controller was error-passive";
	case LULL_BLIND_BUS_OFF: return "the controller was bus-off";
	case LULL_BLIND_RESTARTED: return "the recorder was not running";
	case LULL_BLIND_COALESCING: return "the adapter may have held frames back";
	case LULL_BLIND_POWER: return "the recorder had no power";
	case LULL_COVERAGE_COUNT: break;
	}
	return lull_coverage_name(why);
}

/* "4.2 mA", "417 mA", "9.57 A". */
bool lull_words_vehicle(const struct lull_night_identity *id, char *buf, size_t size)
{
	if (id->vehicle[0] && id->model[0])
		(void)snprintf(buf, size, "%s (%s)", id->vehicle, id->model);
	else if (id->vehicle[0])
		(void)snprintf(buf, size, "%s", id->vehicle);
	else
		(void)snprintf(buf, size, "model %s", id->model);
	return id->vehicle[0] || id->model[0];
}

const char *lull_words_amps(double mA, char buf[static LULL_WHEN])
{
	const double size = fabs(mA);

	(void)snprintf(buf, LULL_WHEN, size < 99.95 ? "%.1f mA" : size < 9999.5 ? "%.0f mA" : "%.2f A",
		size < 9999.5 ? mA : mA / 1000);
	return buf;
}

/* "8.2 mAh", "362 mAh", "2.65 Ah". */
const char *lull_words_charge(double mAh, char buf[static LULL_WHEN])
{
	const double size = fabs(mAh);

	(void)snprintf(buf, LULL_WHEN, size < 99.95 ? "%.1f mAh" : size < 999.5 ? "%.0f mAh" : size < 999.5e3 ? "%.3g Ah" : "%.0f Ah",
		size < 999.5 ? mAh : mAh / 1000);
	return buf;
}

const char *lull_words_dead(enum lull_dead_why why)
{
	switch (why) {
	case LULL_DEAD_ENDED: return "the log ends there";
	case LULL_DEAD_FROZEN: return "it shows the same digits over and over";
	case LULL_DEAD_FLAT: return "it lies flat to the last digit, as a meter or clamp does that has switched itself off";
	case LULL_DEAD_SATURATED: return "it stands at the end of its range";
	case LULL_DEAD_DROPPED: return "it has a hole there";
	case LULL_DEAD_OFF_CABLE: return "the clamp was off the cable, and was not hung back";
	}
	return "";
}

/* What can hurt somebody on the way to the answer. Common practice; the maker's word stands above it. */
static const char *const cautions[] = {
	"The maker's service information and licensed practice come first.",
	"Restraint (airbag, pretensioner), high-voltage and brake systems: by the maker's procedure "
	"only. Never unplug "
	"them for a test.",
	"Batteries give off explosive gas: no flame, no spark. Negative off first, on last. "
	"Disconnecting may need "
	"relearning (windows, steering angle, radio): list it first, or avoid it.",
	"Fans and engine may start by themselves. No engine runs in a closed garage with anybody in "
	"it.",
	"Latches tricked shut are released before anything is closed. Pull plugs with the key off "
	"only.",
};

const char *const *lull_words_cautions(size_t *n)
{
	*n = sizeof cautions / sizeof cautions[0];
	return cautions;
}
