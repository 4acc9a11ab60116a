/**
 * Feeds overlapping segments of several channels, reading the recording once.
 * Memory: one segment and a half per channel.
 */
#ifndef ANALYSIS_MEASUREMENTS_SEGMENTS_H
#define ANALYSIS_MEASUREMENTS_SEGMENTS_H

#include <stdint.h>

#include "analysis/capture/capture.h"
#include "analysis/core/progress.h"

/** `count` segments of `length` samples of one channel, `hop` apart, from `first_frame`.
 */
struct segment_plan {
    int channel; /* from 0 */
    int64_t first_frame;
    int length, hop;
    int64_t count;
};

/** As many segments, `hop` apart, as a part of `frames` ≥ length frames holds. */
struct segment_plan segments_over(int channel, int64_t first_frame, int64_t frames,
                                  int length, int hop);

/**
 * Length of the segments for a part of `frames` frames: the largest power of two that
 * gives at least 8 half-overlapping segments, with a bin of 0.65 to 3 Hz, and never so
 * short that the 7-term main lobe reaches a third of `lowest_hz`. 0: the part is too
 * short for that.
 */
int segments_length(int64_t frames, int sample_rate_hz, double lowest_hz);

/** `tell` gets segment `index` of plan `plan`: samples[length], borrowed for the call;
 * false stops everything. */
bool segments_feed(struct capture *capture, const struct segment_plan *plans,
                   int plan_count,
                   bool (*tell)(int plan, int64_t index, const double *samples,
                                void *context, struct problem *problem),
                   void *context, const struct progress *progress,
                   struct problem *problem) __attribute__((warn_unused_result));

#endif
