/**
 * The working part of `multitone`: one channel's state while the recording is read, and
 * the sums it leaves.
 */
#ifndef ANALYSIS_MEASUREMENTS_MULTITONE_PASS_H
#define ANALYSIS_MEASUREMENTS_MULTITONE_PASS_H

#include "analysis/core/progress.h"
#include "analysis/core/report.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/dsp/tone_fit.h"
#include "analysis/measurements/course.h"
#include "analysis/measurements/multitone_search.h"
#include "analysis/measurements/segments.h"

struct multitone_channel {
    int channel; /* from 0 */
    struct steady_span span;
    int sample_rate_hz;
    bool has_tones;
    enum reason reason; /* why not */
    struct multitone_set set;

    struct segment_plan plan;
    const struct window *window; /* the cache's */
    struct bins band;
    double cycles;           /* latest frequency of the tracked tone, cycles per sample */
    struct tone_track track; /* of that tone */
    struct spectrum spectrum;
    /* Powers of each segment: residual paired with the tones' sum, and each tone's: */
    struct moments residual, tone[MULTITONE_MAX_TONES];
};

/** Segments for a part of `frames` frames: the shortest power of two with bins of 0.4 Hz
 * at most; up to four times as long where the part still gives 8 half-overlapping ones
 * and tones `apart_hz` from each other need it for their main lobes not to meet. 0: the
 * part is too short. */
int multitone_pass_length(int64_t frames, int sample_rate_hz, double apart_hz);

/** Finds the tones in the first segments of the channel's span and prepares the pass. A
 * channel without tones is no problem: has_tones is false. OUT_OF_MEMORY, IO. */
bool multitone_pass_prepare(const struct course_job *job, const struct course_part *part,
                            void *state, bool *ret_ready, struct problem *problem)
    __attribute__((warn_unused_result));

/** Reads the recording once for all channels that have tones. */
bool multitone_pass_run(const struct course_job *job, void *states, int count,
                        const struct progress *progress, struct problem *problem)
    __attribute__((warn_unused_result));

void multitone_channel_free(void *state);

/** The bins that are tone i's, for frequencies times `ratio`: its main lobe, as far as
 * the middle between it and its neighbours. */
struct bins multitone_pass_own(const struct multitone_channel *channel, int i,
                               double ratio);

/** Frequency of one bin. */
double multitone_pass_bin_hz(const struct multitone_channel *channel);

#endif
