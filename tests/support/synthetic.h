/**
 * Recordings made of formulas, and a measurement run on them: for tests against closed
 * forms.
 */
#ifndef TESTS_SUPPORT_SYNTHETIC_H
#define TESTS_SUPPORT_SYNTHETIC_H

#include <stdint.h>

#include "analysis/measurements/measurement.h"

struct synthetic {
    int sample_rate_hz, channels;
    double duration_s;
    int format; /* of libsndfile; 0: WAV with 64-bit float */
    double (*sample)(int64_t n, int channel, void *context);
    void *context;
};

/** An unlinked temporary file that holds the recording; the caller closes it. */
int synthetic_recording(const struct synthetic *synthetic);

/** A tone's instant: cycles of a clock of frequency_hz·(1 + ppm·1e-6), drifting linearly
 * by drift_ppm_per_s, after n samples; fraction only. */
double synthetic_turns(double frequency_hz, double ppm, double drift_ppm_per_s,
                       int sample_rate_hz, int64_t n);

/** The defaults of a description. */
void synthetic_defaults(const struct description *description, struct settings *ret);

/** Runs a measurement; NULL and *problem when it fails. Free with report_free. settings
 * NULL: the defaults. */
struct report *synthetic_measure(const struct measurement *measurement, int descriptor,
                                 const struct settings *settings,
                                 struct problem *problem);

/** The same, with what was played told. */
struct report *synthetic_measure_of(const struct measurement *measurement, int descriptor,
                                    const struct settings *settings,
                                    const struct signal *signal,
                                    const struct settings *played,
                                    struct problem *problem);

/** A figure's value by its name; fails the test when it is null. */
double synthetic_value(const struct report *report, int c, const char *name);
const struct report_figure *synthetic_figure(const struct report *report, int c,
                                             const char *name);

#endif
