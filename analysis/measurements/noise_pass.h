/** The working part of `noise`: one channel's state while the recording is read, and the
 * sums it leaves. */
#ifndef ANALYSIS_MEASUREMENTS_NOISE_PASS_H
#define ANALYSIS_MEASUREMENTS_NOISE_PASS_H

#include "analysis/core/report.h"
#include "analysis/dsp/fft.h"
#include "analysis/dsp/quasi_peak.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/dsp/statistics.h"
#include "analysis/dsp/weighting_filter.h"
#include "analysis/measurements/course.h"
#include "analysis/measurements/mains.h"
#include "analysis/measurements/segments.h"
#include "analysis/measurements/steady.h"

/** What the settings ask for, and what was played as far as it was told. */
struct noise_request {
    double band_hz[2];
    bool seeks_tone;
    double tone_hz;     /* told; 0: not */
    double played_dbfs; /* level of the tone as played; −60 where not told */
    bool has_full_scale;
    double full_scale_level_dbfs;
    bool has_family; /* else the stronger one */
    enum mains_family family;
};

struct noise_channel {
    int channel; /* from 0 */
    struct steady_span span;
    bool is_measured;
    enum reason reason; /* why not */
    bool has_tone;
    double tone_hz;
    double tone_found; /* its mean square where it was found */

    int sample_rate_hz;
    struct segment_plan plan;
    const struct window *window; /* the cache's */
    struct bins band, out_of_band;
    struct bins tone;                /* empty without a tone */
    double *a_weights, *weights_468; /* [bins of the band] */
    struct weighting_filter *filter; /* NULL with a tone: no quasi-peak reading then */
    struct quasi_peak detector;

    struct spectrum spectrum;
    /* Of each segment, paired with the tone's power: */
    struct moments tone_power, noise, noise_a, noise_468, out_of_band_noise;
    struct moments mains[MAINS_FAMILIES];
    struct moments quasi_peak; /* mean reading of each segment's new samples, an rms */
};

/** Looks for the tone, chooses the part to measure and prepares the pass. A channel
 * that cannot be measured is no problem: is_measured is false. */
bool noise_pass_prepare(const struct course_job *job, const struct course_part *part,
                        void *state, bool *ret_ready, struct problem *problem)
    __attribute__((warn_unused_result));

/** Reads the recording once for all channels that are measured. */
bool noise_pass_run(const struct course_job *job, void *states, int count,
                    const struct progress *progress, struct problem *problem)
    __attribute__((warn_unused_result));

double noise_bin_hz(const struct noise_channel *channel);
/** Lobe of a mains line; empty where it does not lie in band or meets the tone. */
struct bins noise_mains_lobe(const struct noise_channel *channel,
                             enum mains_family family, int m);

void noise_channel_free(void *state);

#endif
