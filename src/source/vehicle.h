/* SPDX-License-Identifier: GPL-3.0-or-later */
/* vehicle: the names that a workshop gives its vehicles and models. They stand in every recording and go where recordings go, so
 * that nothing may be among them that tells who owns the car: number plate and VIN belong in the order (order.h). */
#ifndef LULL_SOURCE_VEHICLE_H
#define LULL_SOURCE_VEHICLE_H

#include <stddef.h>

/* NULL: it is one. Else why not, to be read after the name: what lull_name_fault() says, or that it holds a VIN: 17 letters (but
 * I, O, Q) and digits, with at least one digit, together or with blanks, hyphens, dots, slashes and underscores between. */
const char *lull_vehicle_refusal(const char *name);

#endif
