/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_files: style and script of the HTML report, as they stand beside this file. */
#ifndef LULL_REPORT_HTML_FILES_H
#define LULL_REPORT_HTML_FILES_H

extern const char lull_html_css[], lull_html_css_end[];
extern const char lull_html_js[], lull_html_js_end[];

#endif
