/** One attempt at a job: the recording opened, the worker asked, the result kept; or the
 * look at a recording's health. */
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
    ATTEMPT_EARLY,    /* an analysis: the health of its recording is not known yet */
    ATTEMPT_NEEDLESS, /* health: the capture has gone, or its health is not queued */
};

/** Borrows everything. Only on ATTEMPT_DONE a file stays behind. The worker is handed
 * what health found; where health found that nothing can be measured, the analysis fails
 * alike, and where the recording is quarantined, it fails, too: without a worker. */
enum attempt_end attempt_run(const struct attempt *attempt,
                             const struct store_analysis *analysis,
                             struct server_problem *problem)
    __attribute__((warn_unused_result));

/** What a look at a recording's health was made with, and found. */
struct attempt_found {
    char *signal; /* of the capture, or NULL */
    int attempts; /* deaths of its worker before */
    /* on ATTEMPT_DONE, as stored: */
    char *format, *report, *suggested;
};
/** Fills *ret (attempt_found_free) whatever the end. */
enum attempt_end attempt_health(const struct attempt *attempt, const char *capture,
                                struct attempt_found *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void attempt_found_free(struct attempt_found *found);

/** How long a worker may take over recordings of so many bytes together. */
int attempt_deadline_s(uint64_t bytes);

#endif
