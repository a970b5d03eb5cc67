/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log: lines to stderr. Where stderr is the journal each begins with its weight as the journal reads it ("<4>bus body: ..."), anywhere
 * else with the program's name and a word ("lulld: warning: bus body: ..."). */
#ifndef LULL_DAEMON_LOG_H
#define LULL_DAEMON_LOG_H

#include <lull/terms.h>
#include <stdbool.h>
#include <systemd/sd-daemon.h>

/* weight: SD_ERR, SD_WARNING, SD_NOTICE, SD_INFO, SD_DEBUG. Control characters of foreign texts become '?'. SD_DEBUG goes to the
 * journal only. */
void lull_log(const char *weight, const char *format, ...) LULL_PRINTF(2, 3);
/* true: plain lines wherever stderr goes. false: as it goes, looked up with the next line. */
void lull_log_plain(bool plain);
/* Is the descriptor the stream that JOURNAL_STREAM tells of ("DEVICE:INODE", systemd.exec(5))? A process whose stderr was redirected still
 * has the variable. NULL: there is none. */
bool lull_log_is_journal(const char *journal_stream, int fd);

#endif
