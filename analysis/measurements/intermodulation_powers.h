/**
 * What the pass's sums say of one channel: the powers of the tones and of their products,
 * each less the noise under it, and sums of amplitudes made of them.
 */
#ifndef ANALYSIS_MEASUREMENTS_INTERMODULATION_POWERS_H
#define ANALYSIS_MEASUREMENTS_INTERMODULATION_POWERS_H

#include "analysis/measurements/intermodulation_pass.h"
#include "analysis/measurements/powers.h"

/** One product; powers relative to the upper tone's. */
struct intermodulation_power {
    struct intermodulation_place place; /* at the mean frequencies */
    double ratio;                       /* signed: the noise is taken away */
    double u95;                         /* half-width; NaN below three segments */
    double highest; /* what it cannot exceed, also where u95 is not known */
    bool above;     /* stands out of the noise, alone in its place */
    bool mixed;     /* another line stands in its lobe */
};

struct intermodulation_powers {
    double hz[2], hz_u95[2];
    struct power tone[2]; /* mean square */
    double tone_ratio, tone_ratio_u95;
    struct intermodulation_power product[INTERMODULATION_PRODUCTS];
};

void intermodulation_powers_gather(const struct intermodulation_channel *channel,
                                   struct intermodulation_powers *ret);

/** A product that a sum counts. Amplitudes within a group are added, the sums of groups
 * as root of the sum of their squares. */
struct intermodulation_part {
    int product, group;
};

/** An amplitude relative to the upper tone's. */
struct intermodulation_sum {
    int counted;  /* products that are there to be counted */
    bool unclear; /* one of them cannot be told from another line */
    bool above;   /* at least one stands out of the noise */
    double value, u95, highest;
};

/**
 * Adds up parts[count], leaving out what lies beyond 0.45 of the sample rate. A part on
 * which another product up to the third order falls makes the sum unclear. A part that
 * does not stand out counts as what is left of it above the noise, and may be anything up
 * to its highest.
 */
struct intermodulation_sum
intermodulation_powers_sum(const struct intermodulation_powers *powers,
                           const struct intermodulation_part *parts, int count,
                           double nyquist_bins);

/** Whether a product counts: not folded, up to 0.45 of the sample rate. nyquist_bins:
 * half the sample rate in bins. */
bool intermodulation_powers_counts(const struct intermodulation_place *place,
                                   double nyquist_bins);

#endif
