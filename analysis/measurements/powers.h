/**
 * Powers out of an averaged spectrum: noise restored where tones stood, and taken away
 * where it stood under them; each with its half-width.
 *
 * Noise under an interval is what its neighbours tell (spectrum_density_beside), known to
 * 2·√(1.57·c/(2·48·averages)) of itself: a median's variance is 1.57 times that of a
 * mean, and a bin of the window is worth 1/c of an independent one (correlated_bins).
 */
#ifndef ANALYSIS_MEASUREMENTS_POWERS_H
#define ANALYSIS_MEASUREMENTS_POWERS_H

#include "analysis/dsp/spectrum.h"

/** A mean power (mean square, full scale ±1.0) with its 95 % half-width (NaN: not known).
 */
struct power {
    double mean, u95;
};

void powers_add(struct power *sum, struct power more);
struct power powers_less(struct power power);

/** The mean of a power's segments, with noise added that its intervals left out (or taken
 * away that they held), and lines removed that turned out not to belong to it. What is
 * added scatters as the rest does; what is taken away leaves its scatter behind. */
struct power powers_with(const struct moments *moments, struct power noise, double lines);

/** Takes away what a tone's own side lobes leak (window_leakage). Of a power that is
 * hardly more than that nothing is taken: it reads as this floor, never as less. */
struct power powers_without_leakage(struct power power, double leakage);

/** Σ of the bins of `range` that `excluded` (ascending, disjoint) leaves, with
 * weights[bins of range] where given. */
double powers_sum_outside(const double *powers, const struct bins *excluded, int count,
                          struct bins range, const double *weights);

/** An averaged spectrum (finished), and what in it is no noise: ascending, disjoint. All
 * borrowed. */
struct powers_view {
    const struct spectrum *spectrum;
    const struct window *window;
    const struct bins *excluded;
    int excluded_count;
};

/** Noise that an interval covers: the density beside it times `weight` (the interval's
 * width, or the sum of its weights). */
struct power powers_under(const struct powers_view *view, struct bins interval,
                          double weight);
/** The same beside a strong tone, where jitter, hum or a codec make a steep pedestal. */
struct power powers_under_tone(const struct powers_view *view, struct bins interval,
                               double weight);

/** What the intervals `cut` (those of them that `tone` meets being a strong tone's; none:
 * an empty one) would hold within `range` if only noise were there; with weights[bins of
 * range] where given. */
struct powers_cut {
    const struct bins *intervals;
    int count;
    struct bins tone;
};
struct power powers_restored(const struct powers_view *view, const struct powers_cut *cut,
                             struct bins range, const double *weights);

#endif
