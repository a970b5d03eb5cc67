/* SPDX-License-Identifier: GPL-3.0-or-later */
/* assets: the files of the live view. The Makefile knows that this object depends on those taken in. */
#include <page/assets.h>
#include <report/html_files.h>
#include <report/take_in.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CHARTS "/usr/share/javascript/dygraphs/" /* libjs-dygraphs */
#define CHARTS_MOST (1 << 20)

extern const char lull_page_html[], lull_page_css[], lull_page_js[], lull_page_pull_js[], lull_page_icon[];
TAKE_IN(lull_page_html, "src/page/page.html");
TAKE_IN(lull_page_css, "src/page/page.css");
TAKE_IN(lull_page_js, "src/page/page.js");
TAKE_IN(lull_page_pull_js, "src/page/pull.js");
TAKE_IN(lull_page_icon, "src/page/icon.svg");

static struct lull_page_asset assets[] = {
	{"/", "text/html; charset=utf-8", lull_page_html, 0},
	{"/page.css", "text/css", lull_page_css, 0},
	{"/page.js", "text/javascript", lull_page_js, 0},
	{"/pull.js", "text/javascript", lull_page_pull_js, 0},
	{"/icon.svg", "image/svg+xml", lull_page_icon, 0},
	{"/report.css", "text/css", lull_html_css, 0},
	{"/report.js", "text/javascript", lull_html_js, 0},
	{"/dygraph.js", "text/javascript", "", 0},
	{"/dygraph.css", "text/css", "", 0},
};
enum { ALL = sizeof assets / sizeof assets[0], OURS = ALL - 2 };

const struct lull_page_asset *lull_page_asset(const char *path)
{
	for (size_t i = 0; i < ALL; i++) {
		if (strcmp(path, assets[i].path) != 0)
			continue;
		if (i < OURS)
			assets[i].size = strlen(assets[i].data);
		return &assets[i];
	}
	return NULL;
}

static int load(struct lull_page_asset *a, const char *path)
{
	FILE *f = fopen(path, "rbe");
	char *text = malloc(CHARTS_MOST);
	size_t n = 0;

	if (f && text)
		n = fread(text, 1, CHARTS_MOST, f);
	if (f)
		(void)fclose(f);
	if (!n || n == CHARTS_MOST) {
		free(text);
		return f ? -EIO : -ENOENT;
	}
	a->data = text;
	a->size = n;
	return 0;
}

int lull_page_assets_load(void)
{
	const int js = load(&assets[OURS], CHARTS "dygraph.min.js");
	const int css = load(&assets[OURS + 1], CHARTS "dygraph.min.css");

	return js ? js : css;
}
