/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_adc_iio: a channel of an ADC through libiio. The kernel's ABI gives voltages in mV and currents in mA: (raw + offset) *
 * scale (Documentation/ABI/testing/sysfs-bus-iio). */
#include <source/live_impl.h>

#include <errno.h>
#include <iio.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct channel {
	struct iio_context *context;
	struct iio_channel *channel;
	bool processed; /* the driver gives the value itself, as "input" */
	double offset, scale;
};

static void close_channel(void *self)
{
	struct channel *c = self;

	if (c->context)
		iio_context_destroy(c->context);
	free(c);
}

static struct iio_device *find(const struct iio_context *context, const char *name)
{
	unsigned i, n = iio_context_get_devices_count(context);
	struct iio_device *d = iio_context_find_device(context, name);

	/* Name and id are known to the library; a label is found here. */
	for (i = 0; !d && i < n; i++) {
		struct iio_device *one = iio_context_get_device(context, i);
		const char *label = iio_device_get_label(one);

		if (label && !strcmp(label, name))
			d = one;
	}
	return d;
}

static int attach(struct channel *c, const struct lull_live_spec *s, char *why, size_t size)
{
	struct iio_device *d;

	c->context = iio_create_local_context();
	if (!c->context) {
		(void)snprintf(why, size, "no IIO in this system: %s", strerror(errno));
		return -ENODEV;
	}
	d = find(c->context, s->device);
	if (!d) {
		(void)snprintf(why, size, "there is no ADC '%.40s'", s->device);
		return -ENODEV;
	}
	c->channel = iio_device_find_channel(d, s->channel, false);
	if (!c->channel) {
		(void)snprintf(why, size, "ADC '%.32s' has no input '%.32s'", s->device, s->channel);
		return -ENODEV;
	}
	if (isfinite(s->gain) && iio_channel_attr_write_double(c->channel, "scale", s->gain) < 0) {
		(void)snprintf(why, size, "ADC '%.32s' cannot be set to %g mV a digit", s->device, s->gain);
		return -EINVAL;
	}
	c->processed = !iio_channel_find_attr(c->channel, "raw") && iio_channel_find_attr(c->channel, "input");
	c->scale = 1;
	if (!c->processed && iio_channel_attr_read_double(c->channel, "scale", &c->scale) < 0) {
		(void)snprintf(why, size, "ADC '%.40s' does not tell its scale", s->device);
		return -EINVAL;
	}
	if (!c->processed && iio_channel_attr_read_double(c->channel, "offset", &c->offset) < 0)
		c->offset = 0; /* it has none */
	return 0;
}

static int open_channel(void **self, const struct lull_live_spec *s, char *why, size_t size)
{
	struct channel *c = calloc(1, sizeof *c);
	int r = c ? attach(c, s, why, size) : -ENOMEM;

	if (r && c)
		close_channel(c);
	if (!r)
		*self = c;
	return r;
}

static int read_channel(void *self, double *value, enum lull_clamp_unit *unit, char *why, size_t size)
{
	const struct channel *c = self;
	double raw;
	int r = iio_channel_attr_read_double(c->channel, c->processed ? "input" : "raw", &raw);

	if (r < 0) {
		(void)snprintf(why, size, "the ADC does not answer: %s", strerror(-r));
		return r;
	}
	*value = (raw + c->offset) * c->scale;
	*unit = iio_channel_get_type(c->channel) == IIO_CURRENT ? LULL_CLAMP_MA : LULL_CLAMP_MV;
	return 0;
}

const struct lull_adc_ops lull_adc_iio = {.open = open_channel, .read = read_channel, .close = close_channel};
