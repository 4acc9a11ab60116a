/**
 * A backup of the state folder while the daemon works: the database as it is at one
 * instant, and every content and result that it names. Written into NAME.part, brought to
 * the disk, then renamed: NAME is complete or not there. A daemon started with --state
 * NAME goes on from it.
 */
#ifndef SERVER_STORE_BACKUP_H
#define SERVER_STORE_BACKUP_H

#include <limits.h>
#include <stdbool.h>
#include <stdint.h>

#include "server/base/problem.h"
#include "server/store/spool.h"
#include "server/store/store.h"

/** How far it is, and what it came to. Where the file system is the state folder's own,
 * files are linked, not copied: both names are one file, which nobody ever changes. */
struct backup_progress {
    unsigned long contents, results;
    unsigned long missing; /* files named by rows that were not there to be copied */
    uint64_t copied_bytes;
};

struct backup_target {
    int folder;       /* where the backup is to lie, open */
    const char *name; /* in it; must be free, or an empty folder */
    /* Called for each file and every few MiB; false gives the backup up. */
    bool (*progress)(void *context, const struct backup_progress *progress);
    void *context;
};

/** One at a time. Nothing stays behind on failure. */
bool backup_write(struct spool *spool, struct store *store,
                  const struct backup_target *target, struct backup_progress *ret,
                  struct server_problem *problem) __attribute__((warn_unused_result));

#endif
