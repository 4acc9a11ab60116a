/**
 * A sine fitted to the main lobe of its transform, bin by bin.
 *
 * The four-parameter fit of IEEE 1057 weighted by the block's window, as tone_fit's, but
 * from the 15 bins that hold nearly all of the tone: no reading of the samples, at some
 * 0.01 ms. For tones beside others, and where a transform is made anyway.
 * Accuracy: 1e-6 bin and −130 dB of the amplitude where nothing else stands within its
 * lobe (lobe_fit_test.c); the tone's own image is left in, so it must lie two main lobes
 * from dc and half the sample rate for that.
 */
#ifndef ANALYSIS_DSP_LOBE_FIT_H
#define ANALYSIS_DSP_LOBE_FIT_H

#include "analysis/dsp/tone_fit.h"
#include "analysis/dsp/window.h"

struct lobe_fit {
    double bin;
    double complex
        phasor;    /* peak amplitude · e^{iψ}: cosine phase at the block's centre */
    double misfit; /* power that the shape leaves, relative to the tone's */
    double bin_sd, phase_sd; /* if all that is left were noise; bins, radians */
};

/** Fits to a transform (of fft_forward, through `window`, the 7-term one) from
 * `start_bin` on, which lies within half a bin of the tone. */
struct lobe_fit lobe_fit(const struct window *window, const double *transform,
                         double start_bin);

/** The same from the bins themselves: bins[2·LOBE_FIT_REACH + 1] about the bin nearest to
 * the start, through the window. */
enum { LOBE_FIT_REACH = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS + 3 };
struct lobe_fit lobe_fit_bins(const struct window *window, const double complex *bins,
                              double start_bin);

/** The same tone in cycles per sample, for a tone_track. */
struct tone_fit lobe_fit_tone(const struct lobe_fit *fit, int length);

#endif
