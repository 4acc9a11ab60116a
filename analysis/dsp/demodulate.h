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
enum { DEMODULATE_MARGIN_BINS = 32 };

/** What one segment at a time needs, whoever's it is. */
struct demodulate_work {
    double *buffer;       /* the transform */
    double *bins, *about; /* its part about the carrier, in order; and shifted */
};

struct demodulate {
    int length, reach; /* samples of a segment; bins looked at on each side */
    /* By bins from the carrier, 0…reach: power of one sideband relative to the carrier's,
     * scaled so that Σ over a line's main lobe is the line's. */
    struct spectrum phase, amplitude;
    double *upper; /* [reach + 1] the same of the upper sideband as it is; summed, and
                      divided by demodulate_finish. The lower: 2·(phase + amplitude) −
                      upper */
    /* Of the last segment: */
    struct tone_fit carrier;
    const double *about; /* [2·(2·reach + 1)] complex: bins −reach…reach; the work's */
    double complex factor; /* makes them relative to the carrier */
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

/** Room for segments of up to `length` samples. OUT_OF_MEMORY. Free with
 * demodulate_work_free. */
bool demodulate_work_new(int length, struct demodulate_work *ret, struct problem *problem)
    __attribute__((warn_unused_result));
void demodulate_work_free(struct demodulate_work *work);

/** `reach` as demodulate_reach gives it, length a power of two of at least 512.
 * OUT_OF_MEMORY. Free with demodulate_free. */
bool demodulate_new(int length, int reach, struct demodulate *ret,
                    struct problem *problem) __attribute__((warn_unused_result));
void demodulate_free(struct demodulate *demodulate);

/** Transforms one segment, fits the carrier and adds its sidebands to the sums. A segment
 * without any power adds nothing but its count. OUT_OF_MEMORY. */
bool demodulate_take(struct demodulate *demodulate, const struct demodulate_work *work,
                     struct fft_cache *cache, const struct demodulate_segment *segment,
                     struct problem *problem) __attribute__((warn_unused_result));

/** Makes means of the sums. */
void demodulate_finish(struct demodulate *demodulate);

/** Amplitude and phase, at the last segment's centre and relative to the carrier, of a
 * line `offset` bins above it (negative: below), matched to the bins of its main lobe:
 * |offset| + 8 ≤ reach. */
double complex demodulate_line(const struct demodulate *demodulate,
                               const struct window *window, double offset);

#endif
