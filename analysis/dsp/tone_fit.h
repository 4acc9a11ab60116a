/**
 * A sine fitted to a windowed block, and its track over many blocks.
 *
 * Standard: IEEE 1057, four-parameter sine fit; departure: weighted by the block's
 * window, so that anything more than its main lobe away (mains, harmonics, the tone's own
 * image, dc) is 180 dB down and the normal equations decouple. Input: block [length]
 * already multiplied by the window; tone at least the main lobe away from dc and half the
 * sample rate. Accuracy: frequency 0.01 ppm or 4 × the Cramér-Rao bound over the blocks
 * together, whichever is larger (tone_fit_test.c).
 */
#ifndef ANALYSIS_DSP_TONE_FIT_H
#define ANALYSIS_DSP_TONE_FIT_H

#include <complex.h>
#include <stdbool.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/window.h"

/** A tone within one block. */
struct tone_fit {
    double cycles; /* frequency in cycles per sample */
    double complex
        phasor; /* peak amplitude · e^{iψ}: cosine phase at the block's centre */
};

/** Fits by `passes` Gauss-Newton steps on the frequency (each squares a small error of up
 * to half a bin), then the phasor. Allocates nothing. */
struct tone_fit tone_fit_block(const double *windowed, const struct window *window,
                               double start_cycles, int passes);

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
