/* SPDX-License-Identifier: GPL-3.0-or-later */
/* qr: a text as a QR code on a terminal (libqrencode). */
#ifndef LULL_PAGE_QR_H
#define LULL_PAGE_QR_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stdio.h>

/* Dark on light whatever the terminal's colours are, with half blocks; without blocks two characters a module. 0, or -errno. */
LULL_MUST_CHECK int lull_qr_print(FILE *, const char *text, bool blocks);

#endif
