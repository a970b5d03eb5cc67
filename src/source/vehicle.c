/* SPDX-License-Identifier: GPL-3.0-or-later */
/* vehicle: see the header. */
#include <lull/text.h>
#include <source/vehicle.h>

#include <ctype.h>
#include <stdbool.h>
#include <string.h>

#define VIN_CHARACTERS 17 /* ISO 3779: length and alphabet; quoted from memory */

static bool in_vin(char c)
{
	return isdigit((unsigned char)c) || (isalpha((unsigned char)c) && !strchr("IOQioq", c));
}

/* 17 of them in a row; `joined`: over what people write between the parts of a number, if there is nothing else in the name. */
static bool holds_vin(const char *name, bool joined)
{
	unsigned run = 0;
	bool digit = false, other = false;

	for (;; name++) {
		if (*name && in_vin(*name)) {
			run++;
			digit = digit || isdigit((unsigned char)*name);
			continue;
		}
		if (joined && *name && strchr(" -./_", *name))
			continue;
		other = other || (*name && joined);
		if (run == VIN_CHARACTERS && digit && !other)
			return true;
		if (!*name)
			return false;
		run = 0;
		digit = false;
	}
}

const char *lull_vehicle_refusal(const char *name)
{
	const char *fault = lull_name_fault(name, strlen(name));

	if (fault)
		return fault;
	if (holds_vin(name, false) || holds_vin(name, true))
		return "looks like a VIN: number plate and VIN belong in the order (lull report --order), "
		       "which "
		       "stays in the workshop; choose a name of your own for the vehicle";
	return NULL;
}
