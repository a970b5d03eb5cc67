/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scpi_query: which texts may be sent to an instrument. Pure.
 *
 * The query goes unchanged to whatever answers at a port or address, and that may be a bridge to a CAN bus. So only texts that no
 * bridge takes for a frame are accepted: mnemonics joined by ':', the first of three or more letters, the others of two or more,
 * each with at most two trailing digits; '?'; then, if wanted, one space and parameters of letters, digits and ".,:()@".
 * SCPI-99, 6.2, defines mnemonics; the lengths are chosen here. A frame as text begins with a letter or two and three or eight
 * hexadecimal digits, or stands within < and >. */
#ifndef LULL_SOURCE_SCPI_QUERY_H
#define LULL_SOURCE_SCPI_QUERY_H

#include <stdbool.h>

#define LULL_SCPI_QUERY_RULE "write a SCPI query such as MEAS:VOLT:DC?, READ? (@101) or MEAS:VOLT:DC? AUTO"

bool lull_scpi_query_ok(const char *text);

#endif
