/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_files: style and script of the HTML report, taken into the program as they are. The Makefile knows that this object
 * depends on them. */
#include <report/html_files.h>

#define TAKE_IN(symbol, path) \
	__asm__(".pushsection .rodata\n" \
		".global " #symbol "\n.type " #symbol ", %object\n" #symbol ":\n" \
		".incbin \"" path "\"\n" \
		".global " #symbol "_end\n.type " #symbol "_end, %object\n" #symbol "_end:\n" \
		".byte 0\n" \
		".popsection\n")

TAKE_IN(lull_html_css, "src/report/html.css");
TAKE_IN(lull_html_js, "src/report/html.js");
