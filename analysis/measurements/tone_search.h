/**
 * The strongest tones in the first segment of a channel's span, each fitted.
 *
 * A tone is the strongest bin of the range outside the main lobes of those found before,
 * if noise of the density beside it would not reach it there with probability 1e-3.
 */
#ifndef ANALYSIS_MEASUREMENTS_TONE_SEARCH_H
#define ANALYSIS_MEASUREMENTS_TONE_SEARCH_H

#include "analysis/capture/capture.h"
#include "analysis/dsp/fft.h"
#include "analysis/dsp/tone_fit.h"
#include "analysis/measurements/steady.h"

struct tone_search {
    int channel; /* from 0 */
    struct steady_span span;
    int sample_rate_hz;
    int length;             /* of the segment; the span is at least as long */
    double low_hz, high_hz; /* where to look */
    int most;               /* how many tones to look for */
    double *powers; /* NULL, or filled with the segment's powers by bin: [length] */
};

/** Fills found[most], the strongest first; *ret_count 0: there is none. OUT_OF_MEMORY,
 * IO. */
bool tone_search_find(struct capture *capture, const struct tone_search *search,
                      struct fft_cache *cache, struct tone_fit *found, int *ret_count,
                      struct problem *problem) __attribute__((warn_unused_result));

#endif
