/**
 * Whether the file of a capture still holds the bytes that were acknowledged. Length and
 * time are compared with the row's; where the time differs or is not known, the bytes are
 * hashed anew. What is found is recorded in the row and logged.
 */
#ifndef SERVER_STORE_CONTENT_H
#define SERVER_STORE_CONTENT_H

#include <stdint.h>
#include <sys/stat.h>

#include "server/base/problem.h"
#include "server/store/spool.h"
#include "server/store/store.h"

/** The modification time of a file, as rows keep it. */
int64_t content_mtime_ns(const struct stat *facts);

/** A fresh read-only descriptor of the capture's file, checked; or −1: AUDIO_EXPIRED when
 * it is missing, changed or cannot be read, UNAVAILABLE when that cannot be told now. The
 * problem has this field. May read the whole file. */
int content_open(struct spool *spool, struct store *store,
                 const struct store_capture *capture, const char *field,
                 struct server_problem *problem);

/** Checks on a thread of its own, one by one, the files that the sweep could not judge
 *  without hashing them. */
struct content_checks;
bool content_checks_start(struct spool *spool, struct store *store,
                          struct content_checks **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Ends within the reading of a block; NULL is accepted. */
void content_checks_stop(struct content_checks *checks);

#endif
