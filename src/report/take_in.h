/* SPDX-License-Identifier: GPL-3.0-or-later */
/* take_in: a file becomes read-only data of the program: SYMBOL, and SYMBOL_end, which is a 0 byte. The Makefile has to know
 * that the object depends on the file. */
#ifndef LULL_REPORT_TAKE_IN_H
#define LULL_REPORT_TAKE_IN_H

#define TAKE_IN(symbol, path) \
	__asm__(".pushsection .rodata\n" \
		".global " #symbol "\n.type " #symbol ", %object\n" #symbol ":\n" \
		".incbin \"" path "\"\n" \
		".global " #symbol "_end\n.type " #symbol "_end, %object\n" #symbol "_end:\n" \
		".byte 0\n" \
		".popsection\n")

#endif
