/**
 * The course that every measurement of a recording's channels takes: each channel's part
 * is found and prepared, the recording is read once for those that can be measured, and
 * all are reported. What is done in each step is the measurement's.
 */
#ifndef ANALYSIS_MEASUREMENTS_COURSE_H
#define ANALYSIS_MEASUREMENTS_COURSE_H

#include "analysis/measurements/spans.h"

/** One run of a measurement; all borrowed. */
struct course_job {
    const struct measurement_input *input;
    const void *request; /* the measurement's own: what its settings ask for */
    struct report *report;
};

/** A channel of the recording, from 0, and its parts. */
struct course_part {
    int channel;
    struct steady_span steady, clean;
};

struct course {
    size_t channel_bytes;  /* of the state of a channel; it begins zeroed */
    enum spans_steady how; /* the steady part is found */
    /** Fills one channel's state; *ret_ready: it can be measured. */
    bool (*prepare)(const struct course_job *job, const struct course_part *part,
                    void *channel, bool *ret_ready, struct problem *problem);
    /** Reads the recording for channels[count]; not called where none is ready. */
    bool (*pass)(const struct course_job *job, void *channels, int count,
                 const struct progress *progress, struct problem *problem);
    /** Reports channels[count], of which some were ready or none (`any`); false where
     * there is nothing to measure. */
    bool (*report)(const struct course_job *job, void *channels, int count, bool any,
                   struct problem *problem);
    void (*free)(void *channel);
};

/** Runs it for the channels of job->report. Problems: OUT_OF_MEMORY, those of spans_find
 * and of the steps. */
bool course_run(const struct course *course, const struct course_job *job,
                struct problem *problem) __attribute__((warn_unused_result));

#endif
