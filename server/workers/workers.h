/**
 * The worker processes: started once and kept (their FFT plans stay warm), one request at
 * a time each, replaced when dead, killed when past their deadline, retired after
 * LIMIT_WORKER_JOBS jobs. `count` workers serve jobs (measure, render); one more is
 * reserved for inspect, so that uploads never wait behind analyses.
 *
 * A worker is spawned (posix_spawn) as `residuum-worker --serve FD` by the pool's own
 * thread, which lives as long as the pool: the worker's death signal follows the spawning
 * thread.
 */
#ifndef SERVER_WORKERS_WORKERS_H
#define SERVER_WORKERS_WORKERS_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>

#include <jansson.h>

#include "server/base/problem.h"

struct workers;

struct workers_config {
    const char *program; /* path of residuum-worker */
    int count;           /* 1…64 workers for jobs */
};

bool workers_start(const struct workers_config *config, struct workers **ret,
                   struct server_problem *problem) __attribute__((warn_unused_result));
/** Kills every worker; calls under way return WORKERS_STOPPED. None may follow: those who
 * call (the queue, the http room) are stopped before. */
void workers_stop(struct workers *workers);

enum workers_class { WORKERS_JOB, WORKERS_INSPECT };

enum workers_outcome {
    WORKERS_DONE,    /* answer holds the whole "done" object */
    WORKERS_REFUSED, /* *problem holds what the worker said */
    WORKERS_CRASHED, /* it died or spoke nonsense: the job may be tried again */
    WORKERS_TIMED_OUT,
    WORKERS_OUT_OF_MEMORY,
    WORKERS_CONFINEMENT, /* it was killed for a system call that no analysis makes: an
                            attack, until shown otherwise; never tried again */
    WORKERS_CANCELLED,   /* *cancel became true; the worker was killed */
    WORKERS_STOPPED,     /* the pool is stopping, or for deadline_s no worker of the class
                            could   be kept alive (*problem tells); no attempt is counted */
};

struct workers_call {
    enum workers_class class;
    const json_t *request;                            /* borrowed */
    int descriptors[3];                               /* borrowed; −1 when unused */
    int deadline_s;                                   /* from when the worker takes it */
    const atomic_bool *cancel;                        /* NULL or watched */
    void (*progress)(double fraction, void *context); /* NULL or called on this thread */
    void *context;
};

/** Waits for an idle worker of the class, sends, waits for the answer. Blocking. *answer
 * is given (json_decref) only on WORKERS_DONE. */
enum workers_outcome workers_run(struct workers *workers, const struct workers_call *call,
                                 json_t **answer, struct server_problem *problem)
    __attribute__((warn_unused_result));

struct workers_status {
    int alive, busy;
    /* processes replaced since the start, by why: died by themselves, killed past their
     * deadline, after their share of jobs, having run out of memory, killed for leaving
     * their confinement */
    unsigned long crashes, timeouts, retired, out_of_memory, violations;
};
struct workers_status workers_status(struct workers *workers);

#endif
