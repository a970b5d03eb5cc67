/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_adapter: what the recorder sees of the wire: its stamps, its batches, its blindness. Pure. */
#include <linux/can/error.h>
#include <source/sim_world.h>
#include <string.h>

#define HELD (10 * LULL_MS)

void sim_adapter_make(struct sim_world *w)
{
	struct sim_adapter *a = &w->adapter;
	double kind = gsl_rng_uniform(w->plan);

	a->errors_visible = sim_chance(w->plan, 0.3);
	if (kind < 0.3) {
		a->stamps = SIM_STAMP_HARDWARE;
	} else if (kind < 0.6) {
		a->stamps = SIM_STAMP_SOFTWARE;
		a->jitter_ns = sim_log_ns(w->plan, 20e-6, 200e-6);
	} else if (kind < 0.85) {
		a->stamps = SIM_STAMP_BATCH;
		a->batch_ns = sim_chance(w->plan, 0.6) ? LULL_MS : 5 * LULL_MS;
		a->spacing_ns = sim_ns(w->plan, 2e-6, 8e-6);
	} else {
		a->stamps = SIM_STAMP_MS;
	}
	a->last = INT64_MIN;
	a->ppm_drift = sim_uniform(w->plan, -12, 12);
	a->tau_s = sim_log_uniform(w->plan, 900, 5400);
	if (sim_chance(w->plan, 0.4))
		a->noise_every = (unsigned)sim_log_uniform(w->plan, 3e4, 1e6);
	a->noise_left = a->noise_every;
	if (sim_chance(w->plan, 0.2))
		a->lost_every = (unsigned)sim_log_uniform(w->plan, 2e3, 1e5);
	a->lost_left = a->lost_every;
}

static void give(struct sim_world *w, struct lull_frame *f, int64_t stamp)
{
	struct sim_adapter *a = &w->adapter;

	/* One capture, one clock: stamps never run backwards but by a step of that clock. */
	if (stamp < a->last)
		stamp = a->last;
	a->last = stamp;
	f->t = w->night->start_utc_ns + stamp + a->step;

	int error = w->sink->frame(w->sink->ctx, f);

	if (error && !w->error)
		w->error = error;
}

void sim_adapter_flush(struct sim_world *w)
{
	struct sim_adapter *a = &w->adapter;

	for (unsigned i = 0; i < a->batched; i++)
		give(w, &a->batch[i], a->batch_end + (int64_t)i * a->spacing_ns);
	a->batched = 0;
}

static bool heard(const struct sim_world *w, int64_t t)
{
	/* What the adapter still held when it went away is lost too. */
	if (w->adapter.closed || t < 0 || t > w->end - HELD)
		return false;
	for (unsigned i = 0; i < w->blinds; i++) {
		if (t >= w->blind[i].from - HELD && t < w->blind[i].to)
			return false;
	}
	return true;
}

static void take(struct sim_world *w, const struct lull_frame *frame, int64_t t)
{
	struct sim_adapter *a = &w->adapter;
	struct lull_frame *f = &a->batch[0];

	if (!heard(w, t))
		return;
	if (a->lost_every && --a->lost_left == 0) {
		a->lost_left = a->lost_every;
		return;
	}
	if (a->stamps == SIM_STAMP_BATCH) {
		if (a->batched && (t > a->batch_end || a->batched == SIM_BATCH))
			sim_adapter_flush(w);
		if (!a->batched)
			a->batch_end = (t / a->batch_ns + 1) * a->batch_ns;
		f = &a->batch[a->batched++];
	}
	f->id = frame->id;
	f->bus = frame->bus;
	f->flags = frame->flags;
	f->len = frame->len;
	memcpy(f->data, frame->data, 8);
	switch (a->stamps) {
	case SIM_STAMP_BATCH:
		break;
	case SIM_STAMP_HARDWARE:
		give(w, f, t / LULL_US * LULL_US);
		break;
	case SIM_STAMP_SOFTWARE:
		give(w, f, t + (int64_t)((double)a->jitter_ns * gsl_rng_uniform(w->run)));
		break;
	case SIM_STAMP_MS:
		give(w, f, t / LULL_MS * LULL_MS);
		break;
	}
}

void sim_adapter_frame(struct sim_world *w, const struct sim_bus *b, const struct lull_frame *frame, int64_t t)
{
	(void)b;
	take(w, frame, t);
}

void sim_adapter_destroyed(struct sim_world *w, const struct sim_bus *b, int64_t t, bool acknowledge)
{
	struct lull_frame f = { .id = CAN_ERR_PROT | CAN_ERR_BUSERROR, .flags = LULL_FRAME_ERROR, .len = 8 };

	if (!w->adapter.errors_visible)
		return;
	f.bus = (uint8_t)(b - w->bus);
	f.data[2] = acknowledge ? CAN_ERR_PROT_FORM : CAN_ERR_PROT_STUFF;
	f.data[3] = acknowledge ? CAN_ERR_PROT_LOC_ACK_DEL : CAN_ERR_PROT_LOC_DATA;
	take(w, &f, t);
}
