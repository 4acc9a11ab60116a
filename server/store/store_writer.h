/**
 * The one writing thread. Changes queue to it; it commits all that are waiting in one
 * transaction, so that one sync of the disk serves many clients. Each change has its own
 * savepoint: one that fails leaves the others of its batch alone. Internal to
 * server/store.
 */
#ifndef SERVER_STORE_STORE_WRITER_H
#define SERVER_STORE_STORE_WRITER_H

#include "server/store/store_sql.h"

struct store_writer;

/** A change: runs on the writing thread, within a transaction; twice where the disk was
 * full at first. */
typedef bool store_writer_change(struct store_sql *sql, const void *context,
                                 struct server_problem *problem);

/** Starts the thread. Borrows the connection, which belongs to the thread until the stop,
 * and the state folder, open as `folder`: where the disk is full, its ballast is given up
 * and the batch tried once more. */
bool store_writer_start(struct store_sql *sql, int folder, struct store_writer **ret,
                        struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Ends the thread; no change may be under way any more. Accepts NULL. */
void store_writer_stop(struct store_writer *writer);

/** Makes a change; returns when it is on disk, or failed. After a failed sync of the disk
 *  nothing is written any more (what the disk holds is not known): every change is
 * refused until the daemon is started again. */
bool store_writer_make(struct store_writer *writer, store_writer_change *change,
                       const void *context, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** True after a failed sync. */
bool store_writer_has_failed(const struct store_writer *writer);

#endif
