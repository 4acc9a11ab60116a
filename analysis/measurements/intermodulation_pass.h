/**
 * The working part of `intermodulation`: one channel's state while the recording is read,
 * and the sums it leaves.
 */
#ifndef ANALYSIS_MEASUREMENTS_INTERMODULATION_PASS_H
#define ANALYSIS_MEASUREMENTS_INTERMODULATION_PASS_H

#include "analysis/core/report.h"
#include "analysis/dsp/fft.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/dsp/statistics.h"
#include "analysis/dsp/tone_fit.h"
#include "analysis/measurements/course.h"
#include "analysis/measurements/intermodulation_pair.h"
#include "analysis/measurements/intermodulation_products.h"
#include "analysis/measurements/segments.h"
#include "analysis/measurements/steady.h"

struct intermodulation_channel {
    int channel; /* from 0 */
    int sample_rate_hz;
    struct steady_span span;
    bool has_pair;
    enum reason reason;               /* why not */
    struct intermodulation_pair pair; /* as the first segment tells it */

    struct segment_plan plan;
    const struct window *window; /* the cache's */
    double bins[2];              /* latest frequencies, in bins of the transform */
    struct tone_track track[2];
    struct spectrum spectrum;
    /* Powers of each segment's main lobes, paired with the upper tone's: */
    struct moments tone[2], product[INTERMODULATION_PRODUCTS];
};

/** Looks for the pair in the first seconds of the channel's steady part and prepares the
 * pass. A channel without a pair is no problem: has_pair is false. */
bool intermodulation_pass_prepare(const struct course_job *job,
                                  const struct course_part *part, void *state,
                                  bool *ret_ready, struct problem *problem)
    __attribute__((warn_unused_result));

/** Reads the recording once for all channels that have a pair. */
bool intermodulation_pass_run(const struct course_job *job, void *states, int count,
                              const struct progress *progress, struct problem *problem)
    __attribute__((warn_unused_result));

void intermodulation_pass_free(void *state);

/** Frequency of one bin. */
double intermodulation_pass_bin_hz(const struct intermodulation_channel *channel);

#endif
