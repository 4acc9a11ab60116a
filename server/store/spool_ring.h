/**
 * A ring of bytes between the thread that receives an upload and a second one that
 * processes it, so that receiving does not wait for the disk and the hash. Internal to
 * server/store.
 */
#ifndef SERVER_STORE_SPOOL_RING_H
#define SERVER_STORE_SPOOL_RING_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "server/base/problem.h"

enum {
    SPOOL_RING_BYTES = 512 * 1024,
    /* Processed at a time, but for the rest at the end: whole pages, few wake-ups. An
     * eighth of the ring, so that both sides are at work most of the time. */
    SPOOL_RING_CHUNK_BYTES = 64 * 1024,
};

struct spool_ring;

/** Processes the next bytes, in order, on the second thread. False ends the processing.
 */
typedef bool spool_ring_process(void *context, const uint8_t *bytes, size_t count,
                                struct server_problem *problem);

/** Starts the thread. Borrows the context until the free. */
bool spool_ring_start(spool_ring_process *process, void *context, struct spool_ring **ret,
                      struct server_problem *problem) __attribute__((warn_unused_result));
/** Copies bytes in, waiting while the ring is full; swallows them after a failure. */
void spool_ring_put(struct spool_ring *ring, const uint8_t *bytes, size_t count);
/** Fails from the outside: nothing more is processed. The first problem counts. */
void spool_ring_fail(struct spool_ring *ring, const struct server_problem *problem);
/** Waits until all is processed and the thread is gone; false with the first problem.
 * Nothing may be put any more. */
bool spool_ring_end(struct spool_ring *ring, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** In any state, NULL included; what still waits is processed first. */
void spool_ring_free(struct spool_ring *ring);

#endif
