/**
 * The lines that the jitter pattern has itself: those of its slow square, odd multiples
 * of 1/48 of the carrier's frequency. They are locked to the carrier, so their amplitudes
 * are averaged in phase: relative to the carrier and turned back by what the carrier has
 * turned, each stays where it is.
 *
 * Of the pattern (jitter_pattern.h), line k has (LSB/2)·(4/192)/sin(πk/192), and a phase
 * that only the place of the pattern's beginning leaves open: one of 48 turns of the
 * carrier, or half a turn more in a device that turns the polarity. The place that fits
 * best is taken. What is measured beyond the pattern is the device's.
 *
 * Source: sum of a finite geometric series (jitter_known_test.c).
 */
#ifndef ANALYSIS_MEASUREMENTS_JITTER_KNOWN_H
#define ANALYSIS_MEASUREMENTS_JITTER_KNOWN_H

#include "analysis/dsp/demodulate.h"
#include "analysis/measurements/powers.h"

enum {
    JITTER_KNOWN_PER_CARRIER = 48, /* steps of the grid from dc to the carrier */
    JITTER_KNOWN_HIGHEST = 47,     /* farthest offset from the carrier, in steps */
    JITTER_KNOWN_LINES = JITTER_KNOWN_HIGHEST + 1,
};

/** Sums over segments; index 0 is the farthest line below, two steps from each other. */
struct jitter_known {
    int farthest; /* odd: offset of the farthest that is looked at, in steps; −1: none */
    int segments;
    double complex sum[JITTER_KNOWN_LINES];
    double squares[JITTER_KNOWN_LINES];
    int bits; /* after jitter_known_decide: the pattern found; 0: none */
    double complex expected[JITTER_KNOWN_LINES]; /* its lines as they should be */
};

/** Index of the line `step` (odd, −47…47) steps from the carrier. */
int jitter_known_index(int step);

/** Lines that lie within the reach of a carrier at `carrier_bins`. */
void jitter_known_begin(struct jitter_known *known, double carrier_bins, int reach);

/** Adds the last segment's; `turns`: those of the carrier since the first segment's
 * cosine phase was zero. */
void jitter_known_add(struct jitter_known *known, const struct demodulate *demodulate,
                      const struct window *window, double turns);

/** Looks whether the lines are those of a pattern of 16 to 24 bits. Nothing is found in
 * fewer than JITTER_KNOWN_SEGMENTS. */
enum { JITTER_KNOWN_SEGMENTS = 3 };
void jitter_known_decide(struct jitter_known *known);

/** Mean of a line, and the mean square that noise may give it. */
double complex jitter_known_mean(const struct jitter_known *known, int step);
double jitter_known_scatter(const struct jitter_known *known, int step);

/** Peak of a pattern's line relative to the carrier, and its phase where the pattern
 * begins at a carrier whose phase is zero. */
double complex jitter_known_line(int bits, int step);

#endif
