/* SPDX-License-Identifier: GPL-3.0-or-later */
/* qr: a text as a QR code on a terminal. A quiet zone of four modules is part of the code (ISO/IEC 18004). */
#include <page/qr.h>

#include <errno.h>
#include <qrencode.h>

#define QUIET 4

static bool dark(const QRcode *q, int x, int y)
{
	if (x < 0 || y < 0 || x >= q->width || y >= q->width)
		return false;
	return q->data[y * q->width + x] & 1;
}

int lull_qr_print(FILE *out, const char *text, bool blocks)
{
	/* upper half light, lower half light: black ink on white paper is set, so that a dark terminal shows it the same way */
	static const char *const half[4] = {" ", "\xe2\x96\x84", "\xe2\x96\x80", "\xe2\x96\x88"};
	QRcode *q = QRcode_encodeString8bit(text, 0, QR_ECLEVEL_L);

	if (!q)
		return errno ? -errno : -EINVAL;
	for (int y = -QUIET; y < q->width + QUIET; y += blocks ? 2 : 1) {
		(void)fputs("\x1b[30;107m", out);
		for (int x = -QUIET; x < q->width + QUIET; x++) {
			if (blocks)
				(void)fputs(half[2 * dark(q, x, y) + dark(q, x, y + 1)], out);
			else
				(void)fputs(dark(q, x, y) ? "\x1b[40m  \x1b[107m" : "  ", out);
		}
		(void)fputs("\x1b[0m\n", out);
	}
	QRcode_free(q);
	return ferror(out) ? -EIO : 0;
}
