/** Recordings of a carrier with sidebands, for the tests of `jitter`. */
#ifndef TESTS_ANALYSIS_MEASUREMENTS_CARRIERS_H
#define TESTS_ANALYSIS_MEASUREMENTS_CARRIERS_H

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

enum { CARRIERS_MAX_LINES = 64 };

/** amount·cos(2π·hz·t + phase). */
struct carriers_line {
    double hz, amount, phase;
};

struct carriers {
    int sample_rate_hz, channels;
    double duration_s;
    double hz, level_dbfs, ppm, drift_ppm_per_s, phase;
    struct carriers_line jitter_s[CARRIERS_MAX_LINES]; /* of the instants, in seconds */
    struct carriers_line depth[CARRIERS_MAX_LINES];    /* of the amplitude, relative */
    struct carriers_line added[CARRIERS_MAX_LINES];    /* beside the carrier, relative */
    int jitter_count, depth_count, added_count;
    double noise_rms, random_jitter_s; /* white, from 0 to half the sample rate */
    struct support_random random;
};

/** A carrier at −3.01 dBFS, 37 ppm off, without anything else, at 48 kHz for 10 s. */
struct carriers carriers_of(double hz);

/** Measures the recording that `carriers` describes, the same in every channel; settings
 * NULL: the defaults. Fails the test when the measurement does. */
struct report *carriers_measure(struct carriers *carriers,
                                const struct settings *settings);

/** Sideband that a jitter of this peak makes of a carrier: the closed form, dBc. */
double carriers_dbc(double carrier_hz, double jitter_peak_s);

/** How many sidebands are listed; a cell of one, NaN where null; a word's text. */
int carriers_rows(const struct report *report, int c);
double carriers_cell(const struct report *report, int c, int row, const char *field);
const char *carriers_word(const struct report *report, int c, int row, const char *field);
/** The row whose offset lies within 0.5 Hz of hz; fails where there is none. */
int carriers_row(const struct report *report, int c, double hz);

#endif
