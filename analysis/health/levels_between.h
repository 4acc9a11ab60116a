/**
 * The waveform between samples: its highest peak where samples come near full scale.
 *
 * Band-limited interpolation at 16 points to the sample (64 taps, Kaiser window of
 * β = 8.6, 85 dB), and a parabola through the highest three; right to 0.002 dB for tones
 * up to 0.45 of the sample rate. Only where three neighbouring samples make a parabola
 * that turns higher than any before is it done, so a steady tone costs a few of them.
 * After 64 pieces that brought nothing higher, only each fourth is looked at.
 * Samples within 32 frames of the ends are left out.
 *
 * A peak is believed to be of a steady tone where the 65 samples around it obey
 * x[n+1] + x[n−1] = g·x[n], as a tone's do, to 0.1 % of their power: then it is no edge
 * of a square wave, no crest of noise and no start of a tone.
 */
#ifndef ANALYSIS_HEALTH_LEVELS_BETWEEN_H
#define ANALYSIS_HEALTH_LEVELS_BETWEEN_H

#include <stdbool.h>

enum {
    LEVELS_BETWEEN_HALF = 32,  /* taps to either side */
    LEVELS_BETWEEN_PARTS = 16, /* points to a sample */
};

/** The interpolator's weights; begin with levels_between_table_fill. */
struct levels_between_table {
    double taps[LEVELS_BETWEEN_PARTS][2 * LEVELS_BETWEEN_HALF];
};
void levels_between_table_fill(struct levels_between_table *ret);

/** One channel; begin with zeros. */
struct levels_between {
    double turn;    /* highest parabola so far */
    double peak;    /* of the waveform; 0: no sample comes near full scale */
    double tone;    /* likewise, where it is a steady tone's */
    int idle;       /* pieces looked at or passed over since the last higher turn */
    int seam_count; /* samples kept of the piece before */
    double seam[4 * LEVELS_BETWEEN_HALF];
};

/** Takes the next piece of a channel, whose largest magnitude is `peak`. */
void levels_between_feed(struct levels_between *between,
                         const struct levels_between_table *table, const double *samples,
                         int count, double peak);

#endif
