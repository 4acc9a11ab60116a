/** One attempt at a job: the recording opened, the worker asked, the result kept. */
#ifndef SERVER_QUEUE_ATTEMPT_H
#define SERVER_QUEUE_ATTEMPT_H

#include <stdatomic.h>

#include "server/base/problem.h"
#include "server/store/spool.h"
#include "server/store/store.h"
#include "server/workers/workers.h"

struct attempt {
    struct store *store;
    struct spool *spool;
    struct workers *workers;
    const atomic_bool *cancel;
    void (*progress)(double fraction, void *context);
    void *context;
};

enum attempt_end {
    ATTEMPT_DONE,   /* the result is kept, durably */
    ATTEMPT_FAILED, /* for good; *problem is for the tester */
    ATTEMPT_DIED,   /* the worker died: counts */
    ATTEMPT_LATER,  /* not the job's fault (disk full, no worker); *problem is for the log
                     */
    ATTEMPT_GIVEN_UP, /* *cancel became true */
};

/** Borrows everything. Only on ATTEMPT_DONE a file stays behind. */
enum attempt_end attempt_run(const struct attempt *attempt,
                             const struct store_analysis *analysis,
                             struct server_problem *problem)
    __attribute__((warn_unused_result));

/** How long a worker may take over recordings of so many bytes together. */
int attempt_deadline_s(uint64_t bytes);

#endif
