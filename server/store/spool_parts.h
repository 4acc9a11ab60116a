/** The parts of an open spool, for the files that implement spool.h. Internal to
 * server/store. */
#ifndef SERVER_STORE_SPOOL_PARTS_H
#define SERVER_STORE_SPOOL_PARTS_H

#include <pthread.h>

#include "server/base/ids.h"
#include "server/store/spool.h"

enum {
    SPOOL_SHA256_DIGITS = 64,
    /* Space that uploads and signals leave free, so that the database can still commit
     * and results be written. */
    SPOOL_FLOOR_BYTES = 16 << 20,
};

struct spool_removal;

struct spool {
    char path[PATH_MAX];
    int lock; /* STATE/lock, locked while it is open */
    int root; /* descriptors of the folders */
    int incoming, objects, orphans, results, rendered;
    /* Captures whose files the sweep could not judge by length and time. */
    char (*doubtful)[ID_BYTES];
    size_t doubtful_count;
    pthread_mutex_t contents; /* names below objects/ appear and go under this lock */
    /* Under the same lock: */
    struct spool_upload *keeping;  /* uploads kept, whose rows may be on their way */
    bool held;                     /* removals are put off … */
    struct spool_removal *put_off; /* … to these */
};

/** Fills *problem for an error number of the system: DISK_FULL with the free bytes, else
 *  UNAVAILABLE saying what (“The upload could not be written”) failed. Returns false. */
bool spool_parts_problem(const struct spool *spool, int error, const char *what,
                         struct server_problem *problem);

/** Whether so many bytes more leave the floor free; DISK_FULL with the numbers, where
 * `what` are the bytes ("the upload's next"). */
bool spool_parts_room(const struct spool *spool, uint64_t bytes, const char *what,
                      struct server_problem *problem) __attribute__((warn_unused_result));

/** The next in the list of uploads kept. */
const struct spool_upload *spool_upload_next_kept(const struct spool_upload *upload);

/** True for 64 lower-case hexadecimal digits. */
bool spool_parts_is_sha256(const char *text);

/** "ab/abcdef…": the path of a content below objects/. */
enum { SPOOL_CONTENT_PATH_BYTES = 3 + SPOOL_SHA256_DIGITS + 1 };
void spool_parts_content_path(const char *sha256, char path[SPOOL_CONTENT_PATH_BYTES]);

#endif
