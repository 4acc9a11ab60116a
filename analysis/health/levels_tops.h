/**
 * A second look for flat tops of a tone, where equal extremes do not tell: under noise,
 * or clipped before the recorder.
 *
 * While reading, the loudest stretch of steady level is remembered, by mean squares over
 * 50 ms or more. Of its middle up to 0.7 s (at least 4096 frames, at most 2^17) is read
 * again, its strongest line fitted, and its period judged (levels_period). Lines below 8
 * bins of that (12 Hz at 48 kHz, 47 Hz at 768 kHz) are not seen. A few ms a channel.
 */
#ifndef ANALYSIS_HEALTH_LEVELS_TOPS_H
#define ANALYSIS_HEALTH_LEVELS_TOPS_H

#include "analysis/health/levels_period.h"
#include "analysis/health/parts.h"

/** Frames of one level. */
struct levels_tops_stretch {
    int64_t first_frame, frames;
    double mean_square; /* about the mean */
};

/** Begin with zeros. */
struct levels_tops {
    int64_t frames; /* so far */
    int count;      /* of them not yet in a stretch, with their sums */
    double sum, sum_squares;
    struct levels_tops_stretch now, loudest;
};

/** The next frames' sums. */
void levels_tops_feed(struct levels_tops *tops, int sample_rate_hz, int count, double sum,
                      double sum_squares);

/** After the reading: fills *ret where channel c (from 0) is clipped, its samples those
 * of the whole stretch; else samples are 0. Problems: those of reading, OUT_OF_MEMORY. */
bool levels_tops_look(const struct levels_tops *tops,
                      const struct health_subject *subject, int c,
                      struct levels_period_tops *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
