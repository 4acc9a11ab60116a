/**
 * The working part of `jitter`: one channel's state while the recording is read, and the
 * sums it leaves.
 */
#ifndef ANALYSIS_MEASUREMENTS_JITTER_PASS_H
#define ANALYSIS_MEASUREMENTS_JITTER_PASS_H

#include "analysis/core/report.h"
#include "analysis/dsp/demodulate.h"
#include "analysis/dsp/statistics.h"
#include "analysis/measurements/course.h"
#include "analysis/measurements/jitter_known.h"
#include "analysis/measurements/segments.h"
#include "analysis/measurements/steady.h"

/** What the settings ask for. */
struct jitter_request {
    double frequency_hz; /* 0: the strongest tone */
    double playback_rate_hz;
    bool playback_told; /* else it is taken to be the recording's */
    double offset_band_hz[2];
    bool look_for_pattern;
    double pattern_bits; /* whole; 0: not told */
};

struct jitter_channel {
    int channel; /* from 0 */
    struct steady_span span;
    bool has_carrier;
    enum reason reason; /* why not */

    int sample_rate_hz;
    struct segment_plan plan;
    const struct window *window; /* the cache's */
    double cycles; /* latest frequency of the carrier, afterwards its mean; cycles per
                      sample */

    struct demodulate demodulate;
    struct tone_track track;
    struct moments carrier; /* mean square of each segment */
    double weakest;         /* of them */
    struct jitter_known known;
    double kept_turns; /* of the carrier in the middle segment, which `demodulate` keeps
                          for the phases of the lines to each other */
};

/** Finds the carrier in the first seconds of the channel's steady part and prepares the
 * pass. A channel without one is no problem: has_carrier is false. */
bool jitter_pass_prepare(const struct course_job *job, const struct course_part *part,
                         void *state, bool *ret_ready, struct problem *problem)
    __attribute__((warn_unused_result));

/** Reads the recording once for all channels that have a carrier. */
bool jitter_pass_run(const struct course_job *job, void *states, int count,
                     const struct progress *progress, struct problem *problem)
    __attribute__((warn_unused_result));

void jitter_channel_free(void *state);

double jitter_bin_hz(const struct jitter_channel *channel);

#endif
