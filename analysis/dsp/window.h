/**
 * Windows for spectra, as tables.
 *
 * WINDOW_BLACKMAN_HARRIS_7: 7-term cosine sum (Albrecht), side lobes below −180 dB,
 * equivalent noise bandwidth 2.6319 bins, main lobe ±7 bins: for tones and all that
 * stands beside them. WINDOW_HANN: equivalent noise bandwidth 1.5 bins, for noise alone.
 * Both in their periodic form w[n], n = 0…length−1, symmetric about n = length/2; length
 * over 12.
 *
 * Source of the 7-term coefficients: H.-H. Albrecht, "A family of cosine-sum windows for
 * high-resolution measurements", ICASSP 2001 (from memory; checked by their sum, noise
 * bandwidth and side lobes in window_test.c).
 */
#ifndef ANALYSIS_DSP_WINDOW_H
#define ANALYSIS_DSP_WINDOW_H

#include <complex.h>
#include <stdbool.h>

#include "analysis/core/problem.h"

enum window_kind { WINDOW_HANN, WINDOW_BLACKMAN_HARRIS_7 };

enum { WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS = 7 };

struct window {
    enum window_kind kind;
    int length;
    double *values;     /* [length] */
    double sum;         /* Σ w */
    double sum_squares; /* Σ w² */
    double enbw_bins;   /* length · Σ w² / (Σ w)² */
    double correlated_bins; /* length · Σ w⁴ / (Σ w²)²: a sum over bins of noise scatters
                               as if so many of them were one independent value */
    double time_spread; /* Σ w·(n − length/2)² / Σ w: for the fit of a frequency */
};

/** Gives the table (free with window_free). OUT_OF_MEMORY. */
bool window_new(enum window_kind kind, int length, struct window *ret,
                struct problem *problem) __attribute__((warn_unused_result));
void window_free(struct window *window);

/** Transform of the window about its centre at an offset of `bins` (any real number),
 * divided by the length: the shape of a tone's main lobe. Real, since the window is
 * symmetric. */
double window_transform(enum window_kind kind, double bins);

/** Σ w·e^{−iθt} and Σ t·w·e^{−iθt}, θ = 2π·cycles, t from −length/2 to length/2 − 1: what
 * a window holds of a tone so far away, exactly. */
struct window_sums {
    double complex plain, timed;
};
struct window_sums window_sums_at(const struct window *window, double cycles);

/** Share of a tone's power that falls outside the bins −half … half when the tone lies
 *  `offset` bins (within ±½) from bin 0: what side lobes leak. Terms beyond 2000 bins are
 * left out, 0.4 % of it. */
double window_leakage(enum window_kind kind, double offset, int half);

#endif
