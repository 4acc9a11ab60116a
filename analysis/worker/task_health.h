/** Tells whether a recording can be trusted: the worker's request `health`. */
#ifndef ANALYSIS_WORKER_TASK_HEALTH_H
#define ANALYSIS_WORKER_TASK_HEALTH_H

#include <jansson.h>

#include "analysis/core/problem.h"
#include "analysis/core/progress.h"
#include "analysis/dsp/fft.h"

struct task_health {
    int capture;             /* borrowed */
    const json_t *signal;    /* {"name","parameters"}: what was played; NULL: unknown */
    struct fft_cache *cache; /* borrowed */
    const struct progress *progress;
};

/** Gives {"format":{…},"health":{…},"suggested":[…]}. Problems: those of
 * signal_json_read, capture_open and health_take. */
bool task_health(const struct task_health *task, json_t **ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
