/**
 * The loops that cost: over samples and bins, written for vectors.
 *
 * Each is compiled for the baseline of the processor family and for wider vectors; which
 * one runs is asked of the processor at each call. Both give the same bits: what is done
 * element by element has no order, and sums are always taken in eight lanes, added up in
 * one order; nothing is fused (-ffp-contract=off). Nothing is allocated.
 */
#ifndef ANALYSIS_DSP_KERNELS_H
#define ANALYSIS_DSP_KERNELS_H

#include <stdint.h>

enum { KERNELS_BLOCK = 512 };

/** Fills windowed[KERNELS_BLOCK] with (samples − dc)·window; with step −1 the window is
 * read downwards from window[0]. */
void kernels_window(const double *samples, const double *window, int step, double dc,
                    double *windowed);

/** Σ x·z and Σ (j − 255.5)·x·z over one block of KERNELS_BLOCK samples, z = re + i·im. */
struct kernels_sums {
    double re, im, timed_re, timed_im;
};
void kernels_demodulate(const double *x, const double *re, const double *im,
                        struct kernels_sums *ret);

/** Where scale·|z|² of the bins of a transform goes: powers, and, where given, sums of
 * them and of their squares. All by bin. Squares are summed up where a call touches a bin
 * below scatter_bins; their array must hold all bins of such a call. */
struct kernels_powers {
    double scale;
    double *powers;
    double *sum, *sum_squares; /* or NULL */
    int scatter_bins;
};
/** Fills bins from `first` on, upwards or (step −1) downwards, from count complex numbers
 * z[2·count]. */
void kernels_powers(const double *z, int count, int first, int step,
                    const struct kernels_powers *ret);

/** Multiplies count complex numbers (even) by the tabled ones times (re + i·im). The
 * table holds for each number re, re, −im, im. */
void kernels_turn(double *z, const double *table, double re, double im, int count);

/** Σ x, Σ x², smallest and largest of count ≥ 1 values. */
struct kernels_levels {
    double sum, sum_squares, minimum, maximum;
};
void kernels_levels(const double *x, int count, struct kernels_levels *ret);

/** Smallest difference of two neighbours that is not zero; infinite when there is none.
 * Looks no farther once it has found one of `enough` or less. */
double kernels_smallest_step(const double *x, int count, double enough);

/** Σ x and Σ x·weights. */
double kernels_sum(const double *x, int count);
double kernels_weighted_sum(const double *x, const double *weights, int count);

/** Every `stride`-th of source[count·stride]. */
void kernels_gather(const double *source, int stride, int count, double *ret);

/** Deals source[rows·count] to rows, value by value: value n is number n/rows of row
 * n % rows. Rows lie `stride` apart in ret; both rows and count are multiples of 4, or
 * rows is 2. */
void kernels_deal(const double *source, int rows, int count, int stride, double *ret);

/** Folds x[count] to one period of a tone that begins `start` ≥ 0 turns into it: adds to
 * sums[phase] the value, its square, its distance from the middle of the phase (in
 * phases) and the square of that. */
enum { KERNELS_PHASES = 1024 };
void kernels_fold(const double *x, int count, double start, double cycles,
                  double sums[KERNELS_PHASES][4], int counts[KERNELS_PHASES]);

/** Every `stride`-th of samples of 2, 3 or 4 bytes, little-endian and signed, count of
 * them, to full scale ±1.0, exactly. Reads no byte beyond the last of them. */
void kernels_from_pcm(const uint8_t *bytes, int bytes_per_sample, int stride, int count,
                      double *ret);

#endif
