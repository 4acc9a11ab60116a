/**
 * Loops that look through samples for what is odd: levels with counts at the extremes,
 * bits that change, channels that mirror each other, peaks between samples. Written and
 * dispatched as those of kernels.h; allocates nothing.
 */
#ifndef ANALYSIS_DSP_SCAN_H
#define ANALYSIS_DSP_SCAN_H

#include <stdbool.h>
#include <stdint.h>

/** Σ x, Σ x², extremes, and how many samples are ≥ top or ≤ bottom. */
struct scan_levels {
    double sum, sum_squares, minimum, maximum;
    int64_t at_top, at_bottom;
};
/** Of count ≥ 1 samples. */
void scan_levels(const double *x, int count, double top, double bottom,
                 struct scan_levels *ret);

/** How many samples are ≥ least. */
int64_t scan_count(const double *x, int count, double least);

/** Bits that differ anywhere from `first`, of samples that times `scale` are integers
 * within ±2^31: bit 0 is the lowest. */
uint64_t scan_changes(const double *x, int count, double scale, double first);

/** Whether all samples are integers; those beyond ±2^51 count as such. */
bool scan_integers(const double *x, int count);

/** Largest |a + b|; 0: each is the other turned over. */
double scan_largest_sum(const double *a, const double *b, int count);

/** First n from `from` on (with a neighbour on either side) where a parabola through
 * three samples turns at more than `least` > 0, on either side of zero; −1: nowhere. */
int scan_turn(const double *x, int from, int count, double least);

#endif
