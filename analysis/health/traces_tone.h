/**
 * The one tone that dominates a channel, followed through non-overlapping segments.
 *
 * In each segment the strongest line is fitted with the shape of the window's main lobe,
 * bin by bin of the transform: the four-parameter fit of IEEE 1057 weighted by the
 * window, without another reading of the samples. Phases over the segments then tell the
 * frequency, as far as they go on: a dropout, or a tone that begins within a segment,
 * ends a run, and the run with the most energy counts.
 *
 * Accuracy: 0.1 ppm where the tone stands 40 dB above the noise for 10 s
 * (traces_test.c). Memory: 64 KiB.
 */
#ifndef ANALYSIS_HEALTH_TRACES_TONE_H
#define ANALYSIS_HEALTH_TRACES_TONE_H

#include <stdbool.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/dsp/tone_fit.h"
#include "analysis/dsp/window.h"

/** Segments in a row whose phases go on. */
struct traces_run {
    struct tone_track track;
    double energy; /* Σ amplitude² */
};

struct traces_tone {
    struct traces_run now, best;
    double last_bin, last_phase, last_bin_sd, last_phase_sd; /* of `now` */
};

/** Room for segments of `length`. OUT_OF_MEMORY. Free with traces_tone_free. */
bool traces_tone_new(int length, struct traces_tone *ret, struct problem *problem)
    __attribute__((warn_unused_result));
void traces_tone_free(struct traces_tone *tone);

/** The next segment: its transform (of fft_forward), its powers, and the sum of these,
 * which the windowed samples tell as well. */
void traces_tone_follow(struct traces_tone *tone, const struct window *window,
                        const double *transform, const double *powers,
                        double mean_square);

struct traces_tone_result {
    double bin; /* mean frequency, in bins; NaN: no tone dominates */
    double u95; /* of it, relative; NaN below three segments */
    double power;
    struct bins lobe;
};

/** What the averaged spectrum says to it: a tone dominates when it holds more than half
 * of the power beside dc, and no other line that is not its harmonic comes within 13 dB.
 */
void traces_tone_end(struct traces_tone *tone, const struct spectrum *mean,
                     struct traces_tone_result *ret);

/** Where a multiple of a frequency lies, folded at half of a sample rate as often as it
 * takes; all in bins. */
double traces_tone_folded(double bin, double rate_bins);

#endif
