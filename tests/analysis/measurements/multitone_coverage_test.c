/* Whether u95 keeps its word: of 200 captures drawn at random, the residual ratio must
 * lie within its half-width of the truth in 90 to 99 % of the cases. The truth is what
 * was put in: tones of known level and white noise of known power in band. */
#include <math.h>
#include <stdlib.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/multitone.h"
#include "tests/analysis/measurements/many_tones.h"

enum { CAPTURES = 200, TONES = 9, FRAMES_MAX = 30 * 24000 };

/* Tones are drawn once for all captures: most of the time goes into the noise. */
struct draw {
    const double *tones;
    double gain, noise_rms;
    struct support_random random;
};

static double sample(int64_t n, int channel, void *context)
{
    struct draw *draw = context;
    (void)channel;
    return draw->gain * draw->tones[n] +
           draw->noise_rms * support_gaussian(&draw->random);
}

static double played(int64_t n, int channel, void *context)
{
    (void)channel;
    double value = 0;
    (void)context;
    for (int i = 0; i < TONES; i++)
        value += 0.1 *
                 sin(2 * M_PI *
                     synthetic_turns(41 * pow(200, i / (TONES - 1.0)), 123, 0, 24000, n));
    return value;
}

static void half_widths_cover_the_truth(void **state)
{
    const uint64_t first_seed = 31260;
    const double band_hz = 10000 - 20;
    double *tones = malloc(FRAMES_MAX * sizeof *tones);
    struct settings settings;
    int covered = 0;
    (void)state;
    assert_non_null(tones);
    for (int64_t n = 0; n < FRAMES_MAX; n++)
        tones[n] = played(n, 0, NULL);
    synthetic_defaults(&multitone_measurement.description, &settings);
    settings.values[SETTING_COMMON_BAND_HZ].range[1] = 10000;
    print_message("seeds %llu to %llu\n", (unsigned long long)first_seed,
                  (unsigned long long)first_seed + CAPTURES - 1);
    for (uint64_t i = 0; i < CAPTURES; i++) {
        struct support_random random = support_random_seed(first_seed + i);
        double below_db = 50 + 90 * support_uniform(&random);
        double duration_s = 6 + 24 * pow(support_uniform(&random), 2);
        struct draw draw = {.tones = tones,
                            .gain = decibel_to_amplitude(-40 * support_uniform(&random))};
        double total = TONES * draw.gain * draw.gain * 0.01 / 2;
        draw.noise_rms =
            sqrt(total * decibel_to_power(-below_db) * 24000 / 2.0 / band_hz);
        draw.random = random;
        struct synthetic synthetic = {24000, 1, duration_s, 0, sample, &draw};
        struct problem problem = {0};
        int descriptor = synthetic_recording(&synthetic);
        struct report *report =
            synthetic_measure(&multitone_measurement, descriptor, &settings, &problem);
        if (!report)
            fail_msg("%s", problem.detail);
        double truth = -10 * log10(1 + decibel_to_power(below_db));
        covered += fabs(synthetic_value(report, 0, "residual_ratio") - truth) <=
                   synthetic_figure(report, 0, "residual_ratio")->u95;
        report_free(report);
        close(descriptor);
    }
    free(tones);
    print_message("u95 covers the truth in %.1f %% of %d captures\n",
                  100.0 * covered / CAPTURES, CAPTURES);
    assert_between(100.0 * covered / CAPTURES, 90, 99);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(half_widths_cover_the_truth)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
