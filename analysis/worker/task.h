/**
 * What a worker does for one request, from open descriptors to written bytes. The command
 * line takes the same path as a job.
 */
#ifndef ANALYSIS_WORKER_TASK_H
#define ANALYSIS_WORKER_TASK_H

#include <stdbool.h>
#include <stdint.h>

#include <jansson.h>

#include "analysis/core/problem.h"
#include "analysis/core/progress.h"
#include "analysis/measurements/measurement.h"

/** Gives {"format":{…},"warnings":[…]} of the recording behind the descriptor (borrowed),
 * from container and header only. Problems: those of capture_open. */
bool task_inspect(int capture, json_t **ret, struct problem *problem)
    __attribute__((warn_unused_result));

struct task_measure {
    const json_t *settings;              /* NULL: all defaults */
    int capture, result;                 /* borrowed: the recording, and an empty file */
    const int *floor;                    /* borrowed: the recorder on itself, or NULL */
    const json_t *signal;                /* what was played, in both; NULL: not told */
    const json_t *health, *floor_health; /* what task_health gave; NULL: unknown */
    struct fft_cache
        *cache; /* borrowed: plans and windows kept for later tasks, or NULL */
    const struct progress *progress;
};

/** Runs one measurement, each channel within its clean part, and writes its result file;
 * with a floor, on that first, and judges the figures by it. Problems: those of
 * settings_json_read, signal_json_read, capture_open, the measurement, handed_read and
 * encode_result; OUT_OF_RANGE (field `channels`) for a channel that the recording does
 * not have. Those of the floor's recording have the field `floor_capture`, as has
 * OUT_OF_RANGE when it lacks a channel or has another sample rate. */
bool task_measure(const struct measurement *measurement, const struct task_measure *task,
                  struct problem *problem) __attribute__((warn_unused_result));

struct task_render {
    const char *signal, *format;
    const json_t *parameters; /* NULL: all defaults */
    int output;               /* borrowed: an empty file */
    const struct progress *progress;
};

/** Renders a test signal; *ret_bytes is the size of the file. Problems: OUT_OF_RANGE for
 * an unknown signal or format, those of settings_json_read, the signal and the writer. */
bool task_render(const struct task_render *task, int64_t *ret_bytes,
                 struct problem *problem) __attribute__((warn_unused_result));

/** The measurement of that name, or NULL and OUT_OF_RANGE (field `measurement`). */
const struct measurement *task_find(const char *name, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
