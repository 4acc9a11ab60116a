/* Whether u95 keeps its word: of 200 captures drawn at random, level, SNR and THD+N must
 * lie within their half-width of the truth in 90 to 99 % of the cases. The truth is what
 * was put in: a sine of known level and white noise of known power in band. */
#include <math.h>
#include <stdlib.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/distortion.h"
#include "tests/support/support.h"
#include "tests/support/synthetic.h"

enum { CAPTURES = 200, FIGURES = 4 };

struct draw {
    int sample_rate_hz;
    double level_dbfs, noise_dbfs, duration_s, ppm, phase;
    double amplitude, noise_rms;
    struct support_random random;
};

static double sample(int64_t n, int channel, void *context)
{
    struct draw *draw = context;
    double turns = synthetic_turns(997, draw->ppm, 0, draw->sample_rate_hz, n);
    (void)channel;
    return draw->amplitude * sin(2 * M_PI * turns + draw->phase) +
           draw->noise_rms * support_gaussian(&draw->random);
}

static struct draw draw_one(uint64_t seed)
{
    static const int rates[] = {44100, 48000, 88200, 96000, 192000};
    struct support_random random = support_random_seed(seed);
    struct draw draw = {.sample_rate_hz = rates[(int)(5 * support_uniform(&random))],
                        .level_dbfs = -60 * support_uniform(&random),
                        .noise_dbfs = -120 + 40 * support_uniform(&random),
                        .duration_s = 3 + 27 * support_uniform(&random),
                        .ppm = 400 * support_uniform(&random) - 200,
                        .phase = 7 * support_uniform(&random)};
    const double band_hz = 20000 - 20;
    draw.amplitude = decibel_to_amplitude(draw.level_dbfs);
    draw.noise_rms =
        sqrt(dbfs_to_mean_square(draw.noise_dbfs) * draw.sample_rate_hz / 2.0 / band_hz);
    draw.random = random;
    return draw;
}

static void half_widths_cover_the_truth(void **state)
{
    static const char *const names[FIGURES] = {"fundamental_level", "snr",
                                               "thd_plus_noise", "fundamental_frequency"};
    const uint64_t first_seed = 20260;
    int covered[FIGURES] = {0};
    (void)state;
    print_message("seeds %llu to %llu\n", (unsigned long long)first_seed,
                  (unsigned long long)first_seed + CAPTURES - 1);
    for (uint64_t i = 0; i < CAPTURES; i++) {
        struct draw draw = draw_one(first_seed + i);
        struct synthetic synthetic = {
            draw.sample_rate_hz, 1, draw.duration_s, 0, sample, &draw};
        struct problem problem = {0};
        int descriptor = synthetic_recording(&synthetic);
        struct report *report =
            synthetic_measure(&distortion_measurement, descriptor, NULL, &problem);
        assert_non_null(report);
        double tone = dbfs_to_mean_square(draw.level_dbfs);
        double noise = dbfs_to_mean_square(draw.noise_dbfs);
        const double truth[FIGURES] = {draw.level_dbfs, decibel_from_power(tone / noise),
                                       decibel_from_power(noise / (noise + tone)),
                                       997 * (1 + draw.ppm * 1e-6)};
        for (int f = 0; f < FIGURES; f++)
            covered[f] += fabs(synthetic_value(report, 0, names[f]) - truth[f]) <=
                          synthetic_figure(report, 0, names[f])->u95;
        report_free(report);
        close(descriptor);
    }
    for (int f = 0; f < FIGURES; f++) {
        print_message("%s: u95 covers the truth in %.1f %% of %d captures\n", names[f],
                      100.0 * covered[f] / CAPTURES, CAPTURES);
        assert_between(100.0 * covered[f] / CAPTURES, 90, 99);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(half_widths_cover_the_truth)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
