/** Recordings of many tones at once, for the tests of `multitone`. */
#ifndef TESTS_ANALYSIS_MEASUREMENTS_MANY_TONES_H
#define TESTS_ANALYSIS_MEASUREMENTS_MANY_TONES_H

#include <complex.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

enum { MANY_TONES_MAX = 128, MANY_TONES_BLOCK = 64 };

/** amplitude·cos(phase at hz); on the player's clock, or (a line that the device adds) on
 * the recorder's. */
struct many_tones_tone {
    double hz, amplitude, phase;
    bool own_clock;
};

struct many_tones {
    int sample_rate_hz, channels;
    double duration_s;
    struct many_tones_tone tones[MANY_TONES_MAX];
    int count;
    double ppm, drift_ppm_per_s; /* of the player's clock */
    double noise_rms;            /* over all frequencies up to half the rate */
    double (*shape)(double x);   /* a nonlinear device; NULL for none */
    struct support_random random;
    double block[MANY_TONES_BLOCK];
};

/** Tones of the signal multitone with these parameters (NULL: its defaults), `gain_db`
 * up.
 */
struct many_tones many_tones_of_signal(const struct settings *played, double gain_db);
/** Parameters of the signal: its defaults with another number of tones. */
struct settings many_tones_played(int count);
/** Equal tones at geometric steps from 20 Hz to 20 kHz, each at a multiple of 48000/2^17
 * Hz, with zero phase. */
struct many_tones many_tones_geometric(int count, double amplitude);
void many_tones_add(struct many_tones *tones, struct many_tones_tone more);
/** Noise of this level in the band 20 Hz to 20 kHz. */
void many_tones_noise(struct many_tones *tones, double level_dbfs);

/** An unlinked recording; the caller closes it. */
int many_tones_recording(struct many_tones *tones);
/** Measures it; played NULL: not told. NULL and *problem where it fails. */
struct report *many_tones_try(struct many_tones *tones, const struct settings *played,
                              struct problem *problem);
/** The same; fails the test where it fails. */
struct report *many_tones_measure(struct many_tones *tones,
                                  const struct settings *played);

/** A series' values of a channel, by name. */
const struct report_series *many_tones_series(const struct report *report, int c,
                                              const char *name);
int many_tones_rows(const struct report *report, int c, const char *list);

#endif
