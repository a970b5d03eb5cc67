/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_nm: network-management layouts of a profile: defaults by the standards, and what cannot be. */
#include <source/profile_keys.h>

/* OSEK/VDX NM 2.5.3: destination in byte 0, opcode in byte 1, its own bits; TTyp 100 ms, TMax 260 ms, TWaitBusSleep
 * 1.5 or 5 s (the longer one: it accuses less). AUTOSAR CanNm: the source node identifier in byte 0 and the control
 * bit vector in byte 1; the times are up to the car, these are common ones (from memory), repeat message on the long
 * side, since frames within it are no evidence of asking. */
static const struct lull_nm_layout osek = {
	.source_byte = -1,
	.control_byte = 1,
	.cycle_ns = 100 * LULL_MS,
	.repeat_message_ns = 0,
	.timeout_ns = 260 * LULL_MS,
	.wait_sleep_ns = 5 * LULL_SEC,
	.op_alive = 0x01,
	.op_ring = 0x02,
	.op_limp_home = 0x04,
	.op_sleep_indication = 0x10,
	.op_sleep_acknowledge = 0x20,
};
static const struct lull_nm_layout autosar = {
	.source_byte = 0,
	.control_byte = 1,
	.cycle_ns = 500 * LULL_MS,
	.repeat_message_ns = 3 * LULL_SEC,
	.timeout_ns = 2 * LULL_SEC,
	.wait_sleep_ns = 1500 * LULL_MS,
};

static void default_byte(int *at, int usual)
{
	if (*at == PROFILE_NOT_SAID)
		*at = usual;
}

static void default_time(int64_t *at, int64_t usual)
{
	if (*at == PROFILE_NOT_SAID)
		*at = usual;
}

static void default_opcode(uint8_t *at, uint8_t usual)
{
	if (!*at)
		*at = usual;
}

void lull_profile_finish_nm(struct profile_reader *r, size_t i)
{
	struct lull_nm_layout *nm = &r->profile->nm[i];
	const char *name = r->nm_name[i];
	if (nm->kind == LULL_NM_NONE) {
		lull_ini_error(&r->ini, "[nm %s] does not say its kind: autosar or osek", name);
		return;
	}
	if (!nm->ids.mask) {
		lull_ini_error(&r->ini, "[nm %s] does not say its ids, as ID/mask: ids = 0x500/0x7C0", name);
		return;
	}
	if (nm->kind == LULL_NM_AUTOSAR &&
		(nm->op_alive | nm->op_ring | nm->op_limp_home | nm->op_sleep_indication |
			nm->op_sleep_acknowledge)) {
		lull_ini_error(
			&r->ini, "[nm %s] is autosar, and has no opcodes (alive, ring, limp_home, ...)", name);
		return;
	}
	if (nm->kind == LULL_NM_OSEK && nm->repeat_message_ns != PROFILE_NOT_SAID) {
		lull_ini_error(&r->ini, "[nm %s] is osek, and has no repeat_message_ms", name);
		return;
	}
	const struct lull_nm_layout *usual = nm->kind == LULL_NM_OSEK ? &osek : &autosar;
	default_byte(&nm->source_byte, usual->source_byte);
	default_byte(&nm->control_byte, usual->control_byte);
	nm->cycle_told = nm->cycle_ns != PROFILE_NOT_SAID;
	default_time(&nm->cycle_ns, usual->cycle_ns);
	default_time(&nm->repeat_message_ns, usual->repeat_message_ns);
	default_time(&nm->timeout_ns, usual->timeout_ns);
	default_time(&nm->wait_sleep_ns, usual->wait_sleep_ns);
	default_opcode(&nm->op_alive, usual->op_alive);
	default_opcode(&nm->op_ring, usual->op_ring);
	default_opcode(&nm->op_limp_home, usual->op_limp_home);
	default_opcode(&nm->op_sleep_indication, usual->op_sleep_indication);
	default_opcode(&nm->op_sleep_acknowledge, usual->op_sleep_acknowledge);
	if (nm->source_byte >= 0 && nm->source_byte == nm->control_byte)
		lull_ini_error(&r->ini, "[nm %s]: source_byte and control_byte cannot be the same byte", name);
	else if (!nm->cycle_ns || !nm->timeout_ns)
		lull_ini_error(&r->ini, "[nm %s]: cycle_ms and timeout_ms cannot be 0", name);
}
