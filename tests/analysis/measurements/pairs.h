/** Recordings of two tones for the tests of `intermodulation`. */
#ifndef TESTS_ANALYSIS_MEASUREMENTS_PAIRS_H
#define TESTS_ANALYSIS_MEASUREMENTS_PAIRS_H

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "analysis/measurements/intermodulation.h"
#include "tests/analysis/measurements/tones.h"

/** amplitude·cos(a·φ1 + b·φ2 + phase), of the same clock; or a line of its own at `hz`,
 * on the recorder's. */
struct pairs_line {
    double amplitude;
    int a, b;
    double phase, hz;
};

enum { PAIRS_MAX_LINES = 32 };

struct pairs {
    int sample_rate_hz, channels; /* 0 channels: one */
    double duration_s;
    double hz[2], amplitude[2];
    double ppm, drift_ppm_per_s;
    struct pairs_line lines[PAIRS_MAX_LINES];
    int line_count;
    double noise_rms;
    double wander_cycles; /* rms step, per sample, of a random walk of both phases: as
                             many cycles of the upper tone; a pedestal about the tones */
    double wandered;      /* so far */
    double (*shape)(double x); /* a nonlinear device, before the noise; NULL: none */
    double gain[2][8];         /* of each tone in each channel, less 1 */
    struct support_random random;
};

static inline double pairs_sample(int64_t n, int channel, void *context)
{
    struct pairs *pairs = context;
    double phi[2], value = 0;
    if (pairs->wander_cycles > 0)
        pairs->wandered += pairs->wander_cycles * support_gaussian(&pairs->random);
    for (int t = 0; t < 2; t++) {
        phi[t] = 2 * M_PI *
                 synthetic_turns(pairs->hz[t], pairs->ppm, pairs->drift_ppm_per_s,
                                 pairs->sample_rate_hz, n);
        phi[t] += 2 * M_PI * pairs->wandered * pairs->hz[t] / pairs->hz[1];
        value += (1 + pairs->gain[t][channel]) * pairs->amplitude[t] * cos(phi[t]);
    }
    for (int i = 0; i < pairs->line_count; i++) {
        const struct pairs_line *line = &pairs->lines[i];
        double angle = line->a * phi[0] + line->b * phi[1];
        if (line->hz > 0)
            angle = 2 * M_PI * synthetic_turns(line->hz, 0, 0, pairs->sample_rate_hz, n);
        value += line->amplitude * cos(angle + line->phase);
    }
    if (pairs->shape)
        value = pairs->shape(value);
    return value + (pairs->noise_rms > 0
                        ? pairs->noise_rms * support_gaussian(&pairs->random)
                        : 0);
}

/** NULL and *problem when the measurement fails. settings NULL: the defaults. */
static inline struct report *
pairs_try(struct pairs *pairs, const struct settings *settings, struct problem *problem)
{
    struct synthetic synthetic = {.sample_rate_hz = pairs->sample_rate_hz,
                                  .channels = pairs->channels ? pairs->channels : 1,
                                  .duration_s = pairs->duration_s,
                                  .sample = pairs_sample,
                                  .context = pairs};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&intermodulation_measurement, descriptor, settings, problem);
    close(descriptor);
    return report;
}

static inline struct report *pairs_measure(struct pairs *pairs)
{
    struct problem problem = {0};
    struct report *report = pairs_try(pairs, NULL, &problem);
    if (!report)
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    return report;
}

/** A pair with the clock of another, 10 s. */
static inline struct pairs pairs_of(double hz1, double hz2, double amplitude1,
                                    double amplitude2)
{
    return (struct pairs){.sample_rate_hz = 48000,
                          .duration_s = 10,
                          .hz = {hz1, hz2},
                          .amplitude = {amplitude1, amplitude2},
                          .ppm = 37,
                          .random = support_random_seed(51)};
}

static inline const struct report_cell *
pairs_product_cell(const struct report *report, int c, const char *expression, int field)
{
    const struct report_rows *rows = &report->channels[c].lists[0];
    enum { FIELDS = 10 };
    for (int i = 0; i < rows->count; i++)
        if (strcmp(rows->cells[i * FIELDS].word, expression) == 0)
            return &rows->cells[i * FIELDS + field];
    fail_msg("there is no product %s", expression);
    return NULL;
}

enum {
    PAIRS_ORDER = 1,
    PAIRS_FREQUENCY_HZ,
    PAIRS_LEVEL_DBC,
    PAIRS_U95_DB,
    PAIRS_ABOVE_NOISE,
    PAIRS_ALIASED,
    PAIRS_BOUND_DBC,
    PAIRS_COINCIDES_WITH,
    PAIRS_COUNTED_IN,
};

/** A number of the list `products`; NaN when null. */
static inline double pairs_product(const struct report *report, int c,
                                   const char *expression, int field)
{
    const struct report_cell *cell = pairs_product_cell(report, c, expression, field);
    return cell->is_null ? NAN : cell->number;
}

/** A word of it; "" when null. */
static inline const char *pairs_product_word(const struct report *report, int c,
                                             const char *expression, int field)
{
    const struct report_cell *cell = pairs_product_cell(report, c, expression, field);
    return cell->is_null ? "" : cell->word;
}

/** The finding `kind`, and `difference_third_counts`; "" when null. */
static inline const char *pairs_finding(const struct report *report, int c, int finding)
{
    const struct report_cell *cell = &report->channels[c].findings[finding];
    return cell->is_null ? "" : cell->word;
}

enum { PAIRS_KIND, PAIRS_THIRD_COUNTS };

/** Sets a choice or a number among the settings. */
static inline void pairs_set(struct settings *settings, const char *name, double value)
{
    const struct description *description = settings->description;
    for (int i = 0; i < description->setting_count; i++)
        if (strcmp(description->settings[i].name, name) == 0) {
            settings->values[i].given = true;
            settings->values[i].number = value;
            settings->values[i].choice = (int)value;
            return;
        }
    fail_msg("there is no setting %s", name);
}

#endif
