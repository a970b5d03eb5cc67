/* SPDX-License-Identifier: GPL-3.0-or-later */
/* terms: the words of the enumerations, in both directions. Pure. */
#include <lull/rows.h>
#include <lull/terms.h>

#include <errno.h>
#include <math.h>
#include <stdbool.h>

double lull_seconds(lull_time t)
{
	return t == LULL_NEVER ? (double)NAN : (double)t / 1e9;
}

static bool is_filler(char c)
{
	return c == ' ' || c == '-' || c == '_' || c == '\t';
}

static char lower(char c)
{
	return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

/* Words written by people: case, spaces, hyphens and underscores do not tell two of them apart. */
static bool same_word(const char *a, const char *b)
{
	for (;;) {
		while (is_filler(*a))
			a++;
		while (is_filler(*b))
			b++;
		if (lower(*a) != lower(*b))
			return false;
		if (!*a)
			return true;
		a++;
		b++;
	}
}

const char *lull_bus_state_name(enum lull_bus_state state)
{
	switch (state) {
	case LULL_BUS_AWAKE: return "awake";
	case LULL_BUS_QUIET: return "quiet";
	case LULL_BUS_BLIND: return "blind";
	}
	return "?";
}

const char *lull_coverage_name(enum lull_coverage_why why)
{
	switch (why) {
	case LULL_OBSERVED: return "observed";
	case LULL_BLIND_CAPTURE_ENDED: return "capture ended";
	case LULL_BLIND_NOT_LISTENING: return "not listening";
	case LULL_BLIND_CLOCK_STEP: return "clock step";
	case LULL_BLIND_FRAMES_LOST: return "frames lost";
	case LULL_BLIND_UNDECIDED: return "undecided gap";
	case LULL_BLIND_FILE_DAMAGED: return "file damaged";
	case LULL_BLIND_LINK_DOWN: return "link down";
	case LULL_BLIND_ADAPTER_GONE: return "adapter gone";
	case LULL_BLIND_ERROR_PASSIVE: return "error-passive";
	case LULL_BLIND_BUS_OFF: return "bus-off";
	case LULL_BLIND_RESTARTED: return "recorder restarted";
	case LULL_BLIND_COALESCING: return "receive coalescing";
	case LULL_BLIND_POWER: return "low supply";
	case LULL_COVERAGE_COUNT: break;
	}
	return "?";
}

int lull_coverage_parse(const char *text, enum lull_coverage_why *why)
{
	for (int i = 0; i < LULL_COVERAGE_COUNT; i++) {
		enum lull_coverage_why w = (enum lull_coverage_why)i;

		if (same_word(text, lull_coverage_name(w))) {
			*why = w;
			return 0;
		}
	}
	return -EINVAL;
}

const char *lull_mark_name(enum lull_mark_kind kind)
{
	switch (kind) {
	case LULL_MARK_KEY_ON: return "key on";
	case LULL_MARK_KEY_OFF: return "key off";
	case LULL_MARK_DOOR: return "door";
	case LULL_MARK_MORNING: return "morning";
	case LULL_MARK_CLAMP_ZERO: return "clamp zero";
	case LULL_MARK_TEST_LOAD: return "test load";
	case LULL_MARK_UNPLUGGED: return "unplugged";
	case LULL_MARK_REPLUGGED: return "replugged";
	case LULL_MARK_FUSE_OUT: return "fuse out";
	case LULL_MARK_FUSE_BACK: return "fuse back";
	case LULL_MARK_LISTENING: return "listening";
	case LULL_MARK_STOPPED_LISTENING: return "stopped listening";
	case LULL_MARK_OTHER: return "other";
	case LULL_MARK_COUNT: break;
	}
	return "?";
}

const char *lull_code_name(enum lull_code code)
{
	switch (code) {
	case LULL_WITHIN_LIMIT: return "within-limit";
	case LULL_DRAW_NOT_MEASURED: return "draw-not-measured";
	case LULL_TOO_EARLY: return "too-early";
	case LULL_HELD_AWAKE: return "held-awake";
	case LULL_LATE_TO_SLEEP: return "late-to-sleep";
	case LULL_WOKEN_AGAIN: return "woken-again";
	case LULL_WOKEN_FROM_OUTSIDE: return "woken-from-outside";
	case LULL_DRAW_WHILE_QUIET: return "draw-while-quiet";
	case LULL_PULSES_WHILE_QUIET: return "pulses-while-quiet";
	case LULL_BUS_NOT_VISIBLE: return "bus-not-visible";
	case LULL_BLIND: return "blind";
	case LULL_CLAMP_LOST: return "clamp-lost";
	case LULL_CODE_COUNT: break;
	}
	return "?";
}

int lull_code_parse(const char *text, enum lull_code *code)
{
	for (int i = 0; i < LULL_CODE_COUNT; i++) {
		enum lull_code c = (enum lull_code)i;

		if (same_word(text, lull_code_name(c))) {
			*code = c;
			return 0;
		}
	}
	return -EINVAL;
}

const char *lull_role_name(enum lull_role role)
{
	switch (role) {
	case LULL_KEEPER: return "keeper";
	case LULL_WAKER: return "waker";
	case LULL_LOAD: return "load";
	case LULL_RELAY: return "relay";
	}
	return "?";
}

const char *lull_standing_name(enum lull_standing standing)
{
	switch (standing) {
	case LULL_SEEN: return "observed";
	case LULL_LIKELY: return "likely";
	case LULL_CONFIRMED: return "confirmed";
	}
	return "?";
}

const char *lull_named_by_name(enum lull_named_by by)
{
	switch (by) {
	case LULL_BY_PROFILE: return "profile";
	case LULL_BY_SOURCE_ADDRESS: return "source-address";
	case LULL_BY_NM: return "nm";
	case LULL_BY_LEARNED: return "learned";
	case LULL_BY_TIMING: return "timing";
	}
	return "?";
}

const char *lull_by_name(enum lull_by by)
{
	switch (by) {
	case LULL_FROM_NOTHING: return "nothing";
	case LULL_FROM_MARK: return "mark";
	case LULL_FROM_TRAFFIC: return "traffic";
	case LULL_FROM_CURRENT: return "current";
	case LULL_FROM_KEY_OFF: return "key-off";
	case LULL_FROM_DISTURBANCE: return "disturbance";
	case LULL_FROM_START: return "start";
	}
	return "?";
}

const char *lull_limit_source_name(enum lull_limit_source source)
{
	switch (source) {
	case LULL_LIMIT_RULE_OF_THUMB: return "rule of thumb";
	case LULL_LIMIT_USER: return "user";
	case LULL_LIMIT_PROFILE: return "profile";
	case LULL_LIMIT_MAKER: return "maker";
	}
	return "?";
}

const char *lull_end_name(enum lull_end end)
{
	switch (end) {
	case LULL_END_GAP: return "gap";
	case LULL_END_BLIND: return "blind";
	case LULL_END_LOSS: return "loss";
	case LULL_END_EVICTED: return "evicted";
	case LULL_END_OPEN: return "open";
	case LULL_END_RATE: return "rate";
	}
	return "?";
}
