#include "server/store/spool_ring.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>

struct spool_ring {
    spool_ring_process *process;
    void *context;
    pthread_t thread;
    bool joined;

    pthread_mutex_t lock; /* over all below but the bytes */
    pthread_cond_t changed;
    uint64_t put, taken; /* counts since the start; the ring holds what lies between */
    bool ended;          /* no more will be put */
    struct server_problem problem;

    uint8_t bytes[SPOOL_RING_BYTES];
};

static bool has_failed(const struct spool_ring *ring)
{
    return ring->problem.code != SERVER_PROBLEM_NONE;
}

/* Waits for a whole chunk, or for the rest once the body has ended. No more than a chunk
 * at a time, so that the room behind it is free again soon. Returns the count of
 * bytes at bytes[taken % SPOOL_RING_BYTES], 0 at the end or after a failure. */
static size_t next_piece(struct spool_ring *ring)
{
    pthread_mutex_lock(&ring->lock);
    while (ring->put - ring->taken < SPOOL_RING_CHUNK_BYTES && !ring->ended &&
           !has_failed(ring))
        pthread_cond_wait(&ring->changed, &ring->lock);
    size_t count = (size_t)(ring->put - ring->taken);
    if (count > SPOOL_RING_CHUNK_BYTES)
        count = SPOOL_RING_CHUNK_BYTES;
    if (has_failed(ring))
        count = 0;
    pthread_mutex_unlock(&ring->lock);
    return count;
}

static void *process_pieces(void *context)
{
    struct spool_ring *ring = context;
    for (size_t count; (count = next_piece(ring)) > 0;) {
        struct server_problem problem = {0};
        /* `taken` is this thread's alone to change. */
        const uint8_t *piece = ring->bytes + ring->taken % SPOOL_RING_BYTES;
        bool processed = ring->process(ring->context, piece, count, &problem);
        pthread_mutex_lock(&ring->lock);
        ring->taken += count;
        if (!processed && !has_failed(ring))
            ring->problem = problem;
        /* A receiver that found the ring full sleeps until half of it is empty: being
         * woken for each piece would cost more than the copying. */
        if (!processed || ring->put - ring->taken <= SPOOL_RING_BYTES / 2)
            pthread_cond_signal(&ring->changed);
        pthread_mutex_unlock(&ring->lock);
    }
    return NULL;
}

bool spool_ring_start(spool_ring_process *process, void *context, struct spool_ring **ret,
                      struct server_problem *problem)
{
    struct spool_ring *ring = calloc(1, sizeof *ring);
    if (ring == NULL)
        return server_problem_set(
            problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
            "There is no memory for another upload (%zu bytes); try "
            "again later.",
            sizeof *ring);
    ring->process = process;
    ring->context = context;
    pthread_mutex_init(&ring->lock, NULL);
    pthread_cond_init(&ring->changed, NULL);
    int error = pthread_create(&ring->thread, NULL, process_pieces, ring);
    if (error != 0) {
        ring->joined = true;
        spool_ring_free(ring);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The upload's thread cannot be started (%s); try again "
                                  "later.",
                                  strerror(error));
    }
    *ret = ring;
    return true;
}

/* Waits for room and copies one contiguous piece of at most `count` bytes; returns how
 * many were copied, 0 after a failure. */
static size_t put_piece(struct spool_ring *ring, const uint8_t *bytes, size_t count)
{
    pthread_mutex_lock(&ring->lock);
    while (ring->put - ring->taken == SPOOL_RING_BYTES && !has_failed(ring))
        pthread_cond_wait(&ring->changed, &ring->lock);
    size_t room = SPOOL_RING_BYTES - (size_t)(ring->put - ring->taken);
    bool failed = has_failed(ring);
    pthread_mutex_unlock(&ring->lock);
    if (failed)
        return 0;
    /* `put` is this thread's alone to change, and the room behind it its own to fill. */
    size_t until_wrap = SPOOL_RING_BYTES - (size_t)(ring->put % SPOOL_RING_BYTES);
    if (count > room)
        count = room;
    if (count > until_wrap)
        count = until_wrap;
    memcpy(ring->bytes + ring->put % SPOOL_RING_BYTES, bytes, count);
    pthread_mutex_lock(&ring->lock);
    ring->put += count;
    if (ring->put - ring->taken >= SPOOL_RING_CHUNK_BYTES)
        pthread_cond_signal(&ring->changed);
    pthread_mutex_unlock(&ring->lock);
    return count;
}

void spool_ring_put(struct spool_ring *ring, const uint8_t *bytes, size_t count)
{
    for (size_t copied = 0; count > 0; bytes += copied, count -= copied) {
        copied = put_piece(ring, bytes, count);
        if (copied == 0)
            return;
    }
}

void spool_ring_fail(struct spool_ring *ring, const struct server_problem *problem)
{
    pthread_mutex_lock(&ring->lock);
    if (!has_failed(ring))
        ring->problem = *problem;
    pthread_cond_signal(&ring->changed);
    pthread_mutex_unlock(&ring->lock);
}

static void join(struct spool_ring *ring)
{
    if (ring->joined)
        return;
    pthread_mutex_lock(&ring->lock);
    ring->ended = true;
    pthread_cond_signal(&ring->changed);
    pthread_mutex_unlock(&ring->lock);
    pthread_join(ring->thread, NULL);
    ring->joined = true;
}

bool spool_ring_end(struct spool_ring *ring, struct server_problem *problem)
{
    join(ring);
    if (!has_failed(ring))
        return true;
    if (problem != NULL && problem->code == SERVER_PROBLEM_NONE)
        *problem = ring->problem;
    return false;
}

void spool_ring_free(struct spool_ring *ring)
{
    if (ring == NULL)
        return;
    join(ring);
    pthread_cond_destroy(&ring->changed);
    pthread_mutex_destroy(&ring->lock);
    free(ring);
}
