/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile: what the user knows of the car: limits, buses, nodes by ID, NM layout. Plain data; the INI reader is
 * in src/source/profile.h. */
#ifndef LULL_PROFILE_H
#define LULL_PROFILE_H

#include <lull/battery.h>
#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

/* id/mask: an arbitration ID x belongs if (x & mask) == id (both carry LULL_ID_EXTENDED; mask always
 * includes it). */
struct lull_id_match {
	uint32_t id, mask;
};

struct lull_profile_node {
	char name[LULL_NODE_NAME];
	char bus[LULL_BUS_NAME]; /* "" any */
	struct lull_id_match *ids; /* owned by the profile */
	size_t id_count;
	int nm_address; /* NM source address, -1 none */
	int source_address; /* J1939 / ISO 15765 source address, -1 none */
	bool gateway;
	bool never_unplug; /* restraint, high voltage, brake, steering lock, immobiliser */
	char place[96], connector[64], fuse[64]; /* "" unknown */
};

enum lull_nm_kind { LULL_NM_NONE, LULL_NM_AUTOSAR, LULL_NM_OSEK };

/* One network-management layout on one bus (or any). AUTOSAR CanNm: source address and control bit vector at
 * byte 0, byte 1 or off. OSEK/VDX NM 2.5.3 direct: destination byte 0, opcode byte 1; the opcodes are
 * configurable since real cars swap alive and ring. */
struct lull_nm_layout {
	enum lull_nm_kind kind;
	char bus[LULL_BUS_NAME]; /* "" any */
	struct lull_id_match ids; /* base and mask */
	int source_byte; /* 0, 1, or -1 off (then the ID's low bits are the address) */
	int control_byte; /* 0, 1, or -1 off */
	uint8_t op_alive, op_ring, op_limp_home, op_sleep_indication, op_sleep_acknowledge; /* OSEK */
	int64_t cycle_ns; /* CanNmMsgCycleTime, or OSEK TTyp */
	int64_t repeat_message_ns; /* CanNmRepeatMessageTime */
	int64_t timeout_ns; /* CanNmTimeoutTime, or OSEK TMax */
	int64_t wait_sleep_ns; /* CanNmWaitBusSleepTime, or OSEK TWaitBusSleep */
	bool cycle_told; /* cycle_ns is this car's, not a usual value */
	bool inferred; /* not told by a profile */
};

struct lull_profile_bus {
	char name[LULL_BUS_NAME];
	uint32_t bitrate, bitrate_data;
};

struct lull_profile {
	char vehicle[128], model[128]; /* names that the workshop chose; "" not given */
	double limit_draw_mA; /* NAN not given */
	double limit_sleep_s; /* NAN not given */
	bool limits_from_maker; /* `source = maker` in [limits] */
	/* [battery]; NAN, LULL_BATTERY_UNKNOWN: not given */
	double capacity_Ah, reserve_min;
	enum lull_battery_kind battery;
	double charge; /* 0..1 when the car is parked */
	/* [clamp]; NAN: not given */
	double clamp_mV_per_A, clamp_range_A;
	double clamp_logger_mA; /* what the logger itself draws from the car */
	struct lull_profile_bus bus[16];
	size_t bus_count;
	struct lull_profile_node *nodes;
	size_t node_count;
	struct lull_nm_layout nm[8];
	size_t nm_count;
};

void lull_profile_init(struct lull_profile *); /* NANs and zeros */
void lull_profile_clear(struct lull_profile *);

#endif
