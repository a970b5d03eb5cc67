/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_files: style and script of the HTML report, as they stand beside this file. */
#ifndef LULL_REPORT_HTML_FILES_H
#define LULL_REPORT_HTML_FILES_H

/* Texts with a terminator: .incbin puts a zero byte behind each. */
extern const char lull_html_css[];
extern const char lull_html_js[];

#endif
