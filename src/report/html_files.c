/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_files: style and script of the HTML report, taken into the program as they are. The Makefile knows that this object
 * depends on them. */
#include <report/html_files.h>
#include <report/take_in.h>

TAKE_IN(lull_html_css, "src/report/html.css");
TAKE_IN(lull_html_js, "src/report/html.js");
