/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ask: a word to the recorder over its control socket, and its answer. */
#ifndef LULL_CMD_ASK_H
#define LULL_CMD_ASK_H

#include <jansson.h>
#include <lull/terms.h>

/* The recorder's socket: what was told, else the configuration's where it can be read, else the default. */
const char *lull_ask_path(const char *told);
/* One request, one answer. On failure the status to exit with, after a message that names the way out; *answer is the caller's. */
LULL_MUST_CHECK int lull_ask(const char *who, const char *path, const char *request, json_t **answer);

/* The same for who goes on without an answer: waits at most so long, says nothing. 0, or a negative errno with a sentence in err. */
LULL_MUST_CHECK int lull_ask_try(const char *path, const char *request, int wait_ms, json_t **answer, char *err, size_t err_size);

#endif
