/** One conversation with a worker: a request, its progress, its answer. What a worker
 * says is hostile input: it decodes the recordings of strangers. */
#ifndef SERVER_WORKERS_TALK_H
#define SERVER_WORKERS_TALK_H

#include <stdint.h>

#include <jansson.h>

#include "analysis/worker/wire.h"
#include "server/workers/workers.h"

enum {
    TALK_FRAME_MS = 5000, /* a frame once begun must be whole after so long */
    TALK_WATCH_MS = 50,   /* how often a cancellation is looked for */
};

/** Sends the call's request and descriptors. WIRE_CLOSED: the worker was dead and has
 * read nothing. */
enum wire_status talk_send(int socket, const struct workers_call *call)
    __attribute__((warn_unused_result));

/**
 * Reads until the answer, the deadline (monotonic) or a cancellation. *answer is given
 * only on WORKERS_DONE; otherwise *problem says what happened. Never returns
 * WORKERS_STOPPED. After DONE, REFUSED and OUT_OF_MEMORY the worker can serve again; else
 * it is to be killed.
 *
 * Nonsense (WORKERS_CRASHED) is: no strict JSON, duplicate or unknown fields, deeper than
 * LIMIT_JSON_DEPTH, descriptors, a fraction outside 0…1, a problem code that is none of
 * an analysis, a "done" without what its request promises, a measurement "done" whose
 * result file is shorter than its header, an answer to health of more than
 * LIMIT_HEALTH_BYTES or of another shape (health_shape.h).
 */
enum workers_outcome talk_answer(int socket, const struct workers_call *call,
                                 int64_t deadline_ms, json_t **answer,
                                 struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
