/**
 * The spectrum about a carrier, taken apart into its phase and its amplitude modulation.
 *
 * A carrier that is modulated, Re[A·(1 + m(t) + iθ(t))·e^{i(ωt+ψ)}], has at an offset Ω
 * the sidebands u above and l below, relative to the carrier. Of the modulation's
 * components at Ω, half their peaks, u = m + iθ and l* = m − iθ: hence m = (u + l*)/2 and
 * θ = (u − l*)/2i. Of one line beside the carrier half the amplitude is seen in each.
 *
 * A segment is transformed as it is; the window is applied to the transform, shifted to
 * where the carrier lies between two bins, so that both sidebands are cut alike, whatever
 * the clock does from one segment to the next. The carrier is fitted to its main lobe in
 * each segment (lobe_fit); drift within a segment only widens the lobe by its square. A
 * clean carrier leaves −158 dB from 15 bins on, −191 from 60 on, falling by 60 dB a
 * decade.
 *
 * Source: narrow-band modulation, first order in m and θ (below 0.01 rad its own second
 * order is 46 dB below a sideband).
 */
#ifndef ANALYSIS_DSP_DEMODULATE_H
#define ANALYSIS_DSP_DEMODULATE_H

#include <complex.h>

#include "analysis/dsp/fft.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/dsp/tone_fit.h"

/** Bins on each side of the carrier that a demodulation leaves to its own lobe and to
 * what it moves. */
enum { DEMODULATE_MARGIN_BINS = 32, DEMODULATE_TAPS = 14 };

/** How the bins of a segment's transform are seen from the carrier. */
struct demodulate_place {
    double taps[DEMODULATE_TAPS];
    int whole;             /* the bin at or below the carrier */
    double complex factor; /* makes the bins relative to the carrier; 0: there is none */
};

struct demodulate {
    int length, reach; /* samples of a segment; bins looked at on each side */
    /* By bins from the carrier, 0…reach: power of one sideband relative to the carrier's,
     * scaled so that Σ over a line's main lobe is the line's. */
    struct spectrum phase, amplitude;
    double *upper; /* [reach + 1] the same of the upper sideband as it is; summed, and
                      divided by demodulate_finish. The lower: 2·(phase + amplitude) −
                      upper */
    struct tone_fit carrier; /* of the last segment */

    /* What demodulate_line reads: the last segment, or the one kept. */
    struct demodulate_place place;
    const double *transform; /* borrowed; NULL: the one kept */
    double *kept;            /* its bins from whole − reach − DEMODULATE_TAPS on */
    struct demodulate_place kept_place;
};

/** samples[window->length] and the 7-term window, borrowed. A dc offset does no harm. */
struct demodulate_segment {
    const double *samples;
    const struct window *window;
    double start_cycles; /* where the carrier is, cycles per sample, within three bins */
};

/** The farthest offset, in bins, at which a carrier of `carrier_bins` in a segment of
 * `length` samples has both its sidebands between dc and half the sample rate; 0: none
 * has. */
int demodulate_reach(int length, double carrier_bins);

/** `reach` as demodulate_reach gives it, length a power of two of at least 512.
 * OUT_OF_MEMORY. Free with demodulate_free. */
bool demodulate_new(int length, int reach, struct demodulate *ret,
                    struct problem *problem) __attribute__((warn_unused_result));
void demodulate_free(struct demodulate *demodulate);

/** Transforms one segment in `buffer` (of fft_buffer_new), fits the carrier and adds its
 * sidebands to the sums. A segment without any power adds nothing but its count.
 * OUT_OF_MEMORY. */
bool demodulate_take(struct demodulate *demodulate, double *buffer,
                     struct fft_cache *cache, const struct demodulate_segment *segment,
                     struct problem *problem) __attribute__((warn_unused_result));

/** Keeps the last segment's bins for demodulate_line after demodulate_finish. */
void demodulate_keep(struct demodulate *demodulate);

/** Makes means of the sums. */
void demodulate_finish(struct demodulate *demodulate);

/** Amplitude and phase, at its centre and relative to the carrier, of a line `offset`
 * bins above it (negative: below) in the last segment while its transform stands in the
 * buffer, after demodulate_finish in the one kept. Matched to the bins of the line's main
 * lobe; |offset| + 8 ≤ reach. */
double complex demodulate_line(const struct demodulate *demodulate,
                               const struct window *window, double offset);

#endif
