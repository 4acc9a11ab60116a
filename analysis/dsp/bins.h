/** Intervals of a spectrum's bins. */
#ifndef ANALYSIS_DSP_BINS_H
#define ANALYSIS_DSP_BINS_H

#include <stdbool.h>

/** Bins first…last, both included; empty when last < first. */
struct bins {
    int first, last;
};

/** The part of `bins` within `limits`. */
struct bins bins_within(struct bins bins, struct bins limits);
int bins_width(struct bins bins);
bool bins_meet(struct bins a, struct bins b);

/** About a place, so far on each side (rounded up). */
struct bins bins_around(double bin, double half_width);
/** Main lobe of the 7-term window about a place. */
struct bins bins_lobe(double bin);

/** From one frequency to another, of a spectrum of `length` samples: within 1…length/2.
 */
struct bins bins_of_band(double low_hz, double high_hz, double bin_hz, int length);

/** Sorts intervals and joins those that meet or touch; returns how many are left:
 * ascending and disjoint. */
int bins_merge(struct bins *intervals, int count);

/** Where a frequency of so many bins, negative ones too, falls to in a spectrum of
 * `length` samples: folded at half the sample rate, 0…length/2. */
double bins_folded(double bins, int length);

#endif
