/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile: setting up and freeing what the user knows of the car. Pure. */
#include <lull/profile.h>

#include <math.h>
#include <stdlib.h>

void lull_profile_init(struct lull_profile *profile)
{
	*profile = (struct lull_profile){
		.limit_draw_mA = (double)NAN,
		.limit_sleep_s = (double)NAN,
		.capacity_Ah = (double)NAN,
		.reserve_min = (double)NAN,
		.charge = (double)NAN,
		.clamp_mV_per_A = (double)NAN,
		.clamp_range_A = (double)NAN,
		.clamp_logger_mA = (double)NAN,
	};
}

void lull_profile_clear(struct lull_profile *profile)
{
	for (size_t i = 0; i < profile->node_count; i++)
		free(profile->nodes[i].ids);
	free(profile->nodes);
	lull_profile_init(profile);
}
