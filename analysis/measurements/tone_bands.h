/**
 * Where a tone and its harmonics lie in a spectrum of `length` samples per segment.
 *
 * The fundamental takes ±max(main lobe, 1 % of its frequency); every integer multiple
 * takes a main lobe: those below half the sample rate all, folded (aliased) ones up to an
 * order.
 */
#ifndef ANALYSIS_MEASUREMENTS_TONE_BANDS_H
#define ANALYSIS_MEASUREMENTS_TONE_BANDS_H

#include <stdbool.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/spectrum.h"

struct tone_bands {
    struct bins fundamental;
    struct bins *excluded; /* fundamental and all harmonics: ascending, disjoint */
    int excluded_count, capacity;
    double built_for; /* fundamental in bins */
};

/** Room for a fundamental of at least `lowest_bins` bins. Free with tone_bands_free. */
bool tone_bands_new(int length, double lowest_bins, int highest_order,
                    struct tone_bands *ret, struct problem *problem)
    __attribute__((warn_unused_result));
void tone_bands_free(struct tone_bands *bands);

/** Lays the bands for a fundamental at `tone_bins`; `smear_bins` widens each band on both
 * sides by that much times its order (a frequency that moved while the spectrum was
 * averaged). */
void tone_bands_lay(struct tone_bands *bands, int length, double tone_bins,
                    int highest_order, double smear_bins);

struct harmonic_place {
    double bin;    /* 0 … length/2 */
    bool aliased;  /* the multiple lies above half the sample rate */
    bool separate; /* its lobe meets neither the fundamental nor a lower order's lobe */
    struct bins lobe;
};
struct harmonic_place tone_bands_harmonic(const struct tone_bands *bands, int length,
                                          double tone_bins, int order);

#endif
