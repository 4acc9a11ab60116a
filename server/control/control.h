/**
 * The daemon's side of STATE/control: a Unix socket (SOCK_SEQPACKET, 0600) over which
 * commands of the same computer reach the daemon that runs. Only its own user and root
 * are heard. One request a connection, one connection at a time:
 *
 *   request  "backup NAME", and by SCM_RIGHTS the folder that NAME is to lie in, opened
 * by who asks: the daemon may see other folders at the same path answers  any number of
 * "progress SENTENCE", then "done SENTENCE" or "failed SENTENCE"
 *
 * Who asks and hangs up gives the backup up.
 */
#ifndef SERVER_CONTROL_CONTROL_H
#define SERVER_CONTROL_CONTROL_H

#include <stdbool.h>

#include "server/base/problem.h"
#include "server/store/spool.h"
#include "server/store/store.h"

enum {
    CONTROL_MESSAGE_BYTES = 1024,
    CONTROL_BACKLOG = 4,
};

/** Name of the socket in the state folder. */
#define CONTROL_NAME "control"

struct control;

/** Listens and serves on a thread of its own. The state folder is locked by the caller:
 * a socket left there is a dead daemon's. */
bool control_start(const char *state_folder, struct spool *spool, struct store *store,
                   struct control **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Gives up what is under way; NULL is accepted. */
void control_stop(struct control *control);

#endif
