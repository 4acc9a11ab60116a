/**
 * The averaged power spectrum of a recording, segment by segment.
 *
 * powers[j] is scaled so that its sum over any set of bins is mean square (one-sided;
 * noise and a tone's main lobe alike): p = 2·|X|²/(length·Σw²), bins 0 and length/2 once.
 * The equivalent noise bandwidth enters nowhere else, but in spectrum_peak_factor.
 */
#ifndef ANALYSIS_DSP_SPECTRUM_H
#define ANALYSIS_DSP_SPECTRUM_H

#include <stdbool.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/bins.h"
#include "analysis/dsp/fft.h"
#include "analysis/dsp/statistics.h"
#include "analysis/dsp/window.h"

/** Factor from a bin's power to the mean square of a tone at its centre: the ENBW. */
double spectrum_peak_factor(const struct window *window);

/** Σ of powers over the bins. */
double spectrum_sum(const double *powers, struct bins bins);

/** Sums of powers and of their squares over segments. */
struct spectrum {
    int bins; /* length/2 + 1 */
    int segments;
    double *sum;         /* [bins] */
    int scatter_bins;    /* up to bins */
    double *sum_squares; /* [scatter_bins] */
};
/** Keeps the scatter of `scatter_bins` bins from 0 on; more than there are: of all. */
bool spectrum_new(int length, int scatter_bins, struct spectrum *ret,
                  struct problem *problem) __attribute__((warn_unused_result));
void spectrum_free(struct spectrum *spectrum);
/** Transforms the windowed segment in `buffer` (of fft_buffer_new) in place, fills
 * powers[length/2 + 1] and adds them to the spectrum, unless that is NULL.
 * OUT_OF_MEMORY. */
bool spectrum_take(struct fft_cache *cache, const struct window *window, double *buffer,
                   double *powers, struct spectrum *spectrum, struct problem *problem)
    __attribute__((warn_unused_result));
/** Relative 95 % half-width of the mean power of one bin below scatter_bins; NaN below
 * three segments. */
double spectrum_relative_u95(const struct spectrum *spectrum, int bin);
/** Divides the sums: afterwards sum[] holds mean powers, sum_squares[] mean squares of
 * them. */
void spectrum_finish(struct spectrum *spectrum);

/** Where to look for the noise beside an interval: up to `reach` bins on each side that
 *  `excluded` (ascending, disjoint) does not cover. All borrowed. */
struct spectrum_surroundings {
    const double *mean_powers;
    int bin_count;
    const struct bins *excluded;
    int excluded_count;
    int reach;
};

/** Density beside an interval: geometric mean of the sides, each no farther than an
 * octave. Lines do not move it. Mean 0 and averages 1 when there is no bin to look at. */
struct density spectrum_density_beside(const struct spectrum_surroundings *surroundings,
                                       struct bins interval);

/** The same as a mean without lines: closer where the density is steep, less robust
 * against weak lines. */
double spectrum_mean_beside(const struct spectrum_surroundings *surroundings,
                            struct bins interval);

#endif
