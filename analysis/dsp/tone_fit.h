/**
 * A sine fitted to a windowed block, and its track over many blocks.
 *
 * Standard: IEEE 1057, four-parameter sine fit; departure: weighted by the block's
 * window, so that anything more than its main lobe away (mains, harmonics, the tone's own
 * image, dc) is 180 dB down and the normal equations decouple. Input: a
 * segment; tone at least the main lobe away from dc and half the
 * sample rate. Accuracy: frequency 0.01 ppm or 4 × the Cramér-Rao bound over the blocks
 * together, whichever is larger (tone_fit_test.c).
 */
#ifndef ANALYSIS_DSP_TONE_FIT_H
#define ANALYSIS_DSP_TONE_FIT_H

#include <complex.h>
#include <stdbool.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/window.h"

/** A tone within one segment. */
struct tone_fit {
    double cycles; /* frequency in cycles per sample */
    double rest;   /* what rounding took from it: cycles + rest is closer still */
    double complex
        phasor; /* peak amplitude · e^{iψ}: cosine phase at the segment's centre */
};

/** What is fitted to: samples[window->length], all borrowed. */
struct tone_fit_segment {
    const double *samples;
    double dc; /* taken off before windowing */
    const struct window *window;
};

/** Fits by up to `steps` Gauss-Newton steps on the frequency (each squares a small error
 * of up to half a bin), then the phasor. The segment is read once, and again only where
 * a step leads farther than 0.05 bin away: near by, the sums follow from those of 512
 * groups, exact to 2e-8 of the step. `transform`: NULL, or a buffer of fft_buffer_new
 * that the windowed segment is put into on the way. Length 512 or more. Allocates
 * nothing. */
struct tone_fit tone_fit_segment(const struct tone_fit_segment *segment,
                                 double start_cycles, int steps, double *transform);

/** Phases over equally spaced blocks, unwrapped against the first block's frequency. */
struct tone_track {
    int hop, capacity, count;
    double cycles0;     /* frequency of the first block, cycles per sample */
    double last_phase;  /* radians */
    double first_phase; /* radians, cosine phase at the first block's centre */
    double minimum_cycles, maximum_cycles;
    double *excess; /* [count] radians above cycles0's phase at each block's centre */
};

/** Room for `blocks` blocks `hop` samples apart. OUT_OF_MEMORY. Free with
 * tone_track_free. */
bool tone_track_new(int blocks, int hop, struct tone_track *ret, struct problem *problem)
    __attribute__((warn_unused_result));
void tone_track_free(struct tone_track *track);
void tone_track_add(struct tone_track *track, const struct tone_fit *fit);

struct tone_track_result {
    double cycles;     /* mean over the span, cycles per sample */
    double cycles_u95; /* NaN below three blocks */
    double phase;      /* radians, cosine phase at the mean time of the blocks' centres */
    double phase_u95;  /* NaN below three blocks */
};
/** Regression of the phases, second order from five blocks on, so that a linear drift of
 * the clock is neither error nor scatter: the slope at the middle is the mean frequency.
 * count ≥ 1. */
struct tone_track_result tone_track_result(const struct tone_track *track);

#endif
