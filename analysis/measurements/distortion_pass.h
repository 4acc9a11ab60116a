/**
 * The working part of `distortion`: one channel's state while the recording is read, and
 * the sums it leaves.
 */
#ifndef ANALYSIS_MEASUREMENTS_DISTORTION_PASS_H
#define ANALYSIS_MEASUREMENTS_DISTORTION_PASS_H

#include <complex.h>

#include "analysis/core/report.h"
#include "analysis/core/settings.h"
#include "analysis/dsp/fft.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/dsp/statistics.h"
#include "analysis/dsp/tone_fit.h"
#include "analysis/dsp/window.h"
#include "analysis/measurements/course.h"
#include "analysis/measurements/mains.h"
#include "analysis/measurements/segments.h"
#include "analysis/measurements/steady.h"
#include "analysis/measurements/tone_bands.h"

enum { DISTORTION_MAX_ORDER = 100 };

/** What the settings ask for. */
struct distortion_request {
    double band_hz[2];
    double frequency_hz; /* 0: the strongest line in band */
    int harmonics;       /* highest order */
    double notch_q;      /* 0: the band alone */
    double full_scale_level_dbfs;
};

struct distortion_channel {
    int channel; /* from 0 */
    struct steady_span span;
    bool has_tone;
    enum reason reason; /* why not */
    bool overload;

    int sample_rate_hz;
    struct segment_plan plan;
    const struct window *window; /* the cache's */
    struct bins band, out_of_band;
    double *a_weights,
        *notch_weights; /* [bins of the band]; the latter NULL without notch */
    double cycles;      /* latest frequency, cycles per sample */
    struct tone_bands bands;

    struct tone_track track;
    struct spectrum spectrum;
    /* Powers of each segment, paired with the fundamental's: */
    struct moments fundamental, total, noise, noise_a, out_of_band_noise, residual, thd;
    struct moments mains[MAINS_FAMILIES];
    struct moments harmonic[DISTORTION_MAX_ORDER + 1];
    double complex phase_sum[DISTORTION_MAX_ORDER + 1];
    struct moments dc;
};

/** Finds the tone in the first seconds of the channel's steady part and prepares the
 * pass. A channel without a tone is no problem: has_tone is false. */
bool distortion_pass_prepare(const struct course_job *job, const struct course_part *part,
                             void *state, bool *ret_ready, struct problem *problem)
    __attribute__((warn_unused_result));

/** Reads the recording once for all channels that have a tone. */
bool distortion_pass_run(const struct course_job *job, void *states, int count,
                         const struct progress *progress, struct problem *problem)
    __attribute__((warn_unused_result));

void distortion_channel_free(void *state);

/** Whether a THD harmonic: a multiple in band, not folded, its lobe apart from others. */
bool distortion_counts_in_thd(const struct distortion_channel *channel,
                              const struct harmonic_place *place);

/** Lobe of mains line m (from 1) of the family; empty when it lies
 * out of band or meets the tone or one of its harmonics. */
struct bins distortion_mains_lobe(const struct distortion_channel *channel,
                                  const struct tone_bands *bands,
                                  enum mains_family family, int m);

/** Frequency of one bin. */
double distortion_bin_hz(const struct distortion_channel *channel);

#endif
