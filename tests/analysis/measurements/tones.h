/** Recordings of tones for the tests of `distortion`. */
#ifndef TESTS_ANALYSIS_MEASUREMENTS_TONES_H
#define TESTS_ANALYSIS_MEASUREMENTS_TONES_H

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

enum { TONES_MAX_PARTIALS = 120 };

/** amplitude·sin(order·φ + phase), φ the fundamental's phase; or a tone of its own at
 * `hz`. */
struct partial {
    double order, amplitude, phase, hz;
};

struct partial tones_harmonic_of(double order, double amplitude, double phase);
struct partial tones_line(double hz, double amplitude, double phase);

struct tones {
    int sample_rate_hz, channels;
    double duration_s;
    double frequency_hz, ppm, drift_ppm_per_s, phase;
    struct partial partials[TONES_MAX_PARTIALS];
    int partial_count;
    double noise_rms, dc;
    double (*shape)(double x); /* applied last: a nonlinear device; NULL for none */
    int quantise_bits;         /* 0: none */
    bool dither;               /* TPDF, before quantising */
    struct support_random random;
};

/** A recording of it, the same in every channel; the caller closes it. */
int tones_recording(struct tones *tones);

/** Measures the recording that `tones` describes, the same in every channel; fails the
 * test when the measurement does. */
struct report *tones_measure(struct tones *tones, const struct settings *settings);

/** Defaults of `distortion` with a nominal frequency (0: none). */
struct settings tones_settings(double frequency_hz);

/** A cell of a list by its names; NaN when null. */
double tones_cell(const struct report *report, int c, const char *list, int row,
                  const char *field);
/** Level of a harmonic in dBc, NaN when null. */
double tones_harmonic(const struct report *report, int c, int order, const char *field);

#endif
