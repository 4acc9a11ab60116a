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

/** Fills windowed[count] with (samples − dc)·window. */
void kernels_window(const double *samples, const double *window, double dc, int count,
                    double *windowed);

/** Σ x·z and Σ (j − 255.5)·x·z over one block of KERNELS_BLOCK samples, z = re + i·im. */
struct kernels_sums {
    double re, im, timed_re, timed_im;
};
void kernels_demodulate(const double *x, const double *re, const double *im,
                        struct kernels_sums *ret);

/** Fills powers[count] with scale·|z|² of the complex numbers z[2·count]; ascending, or
 * with step −1 downwards from powers[0]. */
void kernels_powers(const double *z, int count, double scale, double *powers, int step);

/** sum += powers, sum_squares += powers². */
void kernels_accumulate(const double *powers, int count, double *sum,
                        double *sum_squares);

/** Multiplies count complex numbers (even) by the tabled ones times (re + i·im). The
 * table holds for each number re, re, −im, im. */
void kernels_turn(double *z, const double *table, double re, double im, int count);

/** Σ x, Σ x², smallest and largest of count ≥ 1 values. */
struct kernels_levels {
    double sum, sum_squares, minimum, maximum;
};
void kernels_levels(const double *x, int count, struct kernels_levels *ret);

/** Smallest difference of two neighbours that is not zero; infinite when there is none.
 */
double kernels_smallest_step(const double *x, int count);

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

/** Samples of 2, 3 or 4 bytes, little-endian and signed, to full scale ±1.0, exactly. */
void kernels_from_pcm(const uint8_t *bytes, int bytes_per_sample, int count, double *ret);

#endif
