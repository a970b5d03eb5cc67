/* SPDX-License-Identifier: GPL-3.0-or-later */
/* privileges: what each process of lulld may do once it is started. */
#ifndef LULL_DAEMON_PRIVILEGES_H
#define LULL_DAEMON_PRIVILEGES_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>

struct lull_identity {
	bool change; /* the process is root and shall not stay so */
	uid_t uid;
	gid_t gid;
};

/* Who the recorder shall be: the user of the configuration where lulld is started as root ("root": stays), else who it is. -EINVAL with
 * a message: there is no such user. */
LULL_MUST_CHECK int lull_identity_find(const char *user, struct lull_identity *, char *err, size_t err_size);
/* Becomes that user, and keeps no capability but, with net_admin, CAP_NET_ADMIN where it was there. No new ones ever
 * (no_new_privs). 0 or -errno. */
LULL_MUST_CHECK int lull_privileges_drop(const struct lull_identity *, bool net_admin);
bool lull_privileges_net_admin(void); /* CAP_NET_ADMIN is there */
/* From here on: no other program, and of sockets only local ones, streams and datagrams of the internet, and netlink for routes: what the main
 * process needs once it is started. No CAN socket, no raw one, whatever is written above the 32 bits that the kernel reads. */
LULL_MUST_CHECK int lull_main_confine(void);
/* The rules of that filter into one of libseccomp (an scmp_filter_ctx), for whichever architectures it is. 0 or -errno. */
LULL_MUST_CHECK int lull_main_rules(void *filter);

#endif
