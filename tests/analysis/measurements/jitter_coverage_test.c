/* Whether u95 keeps its word: of 200 captures drawn at random, the level of a sideband,
 * the jitter it means and random jitter must lie within their half-width of the truth in
 * 90 to 99 % of the cases. The truth is what was put in. */
#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "tests/analysis/measurements/carriers.h"

enum { CAPTURES = 200, FIGURES = 3 };

/* A carrier, a sideband 20 to 60 dB above the noise in its main lobe, white jitter of two
 * to ten times what the added noise looks like. */
static struct carriers draw_one(uint64_t seed)
{
    static const int rates[] = {44100, 48000, 64000, 96000};
    struct support_random random = support_random_seed(seed);
    int rate = rates[(int)(4 * support_uniform(&random))];
    struct carriers carriers =
        carriers_of((0.15 + 0.2 * support_uniform(&random)) * rate);
    carriers.sample_rate_hz = rate;
    carriers.duration_s = 2 + 3 * support_uniform(&random);
    carriers.level_dbfs = -10 * support_uniform(&random);
    carriers.ppm = 400 * support_uniform(&random) - 200;
    carriers.drift_ppm_per_s = 0.2 * support_uniform(&random) - 0.1;
    carriers.phase = 7 * support_uniform(&random);
    double noise_dbfs = -120 + 30 * support_uniform(&random);
    carriers.noise_rms = sqrt(dbfs_to_mean_square(noise_dbfs));
    double relative_db = noise_dbfs - carriers.level_dbfs;
    double in_lobe_db = relative_db + 10 * log10(15 * 1.0 / (rate / 2.0));
    double above_db = 25 + 35 * support_uniform(&random);
    carriers.jitter_s[carriers.jitter_count++] = (struct carriers_line){
        300 + 0.1 * rate * support_uniform(&random),
        decibel_to_amplitude(in_lobe_db + above_db) / (M_PI * carriers.hz),
        7 * support_uniform(&random)};
    carriers.random_jitter_s = (2 + 8 * support_uniform(&random)) *
                               decibel_to_amplitude(relative_db) /
                               (2 * M_PI * carriers.hz);
    carriers.random = random;
    return carriers;
}

static void half_widths_cover_the_truth(void **state)
{
    static const char *const names[FIGURES] = {"worst_sideband", "jitter_rms",
                                               "random_jitter_rms"};
    const uint64_t first_seed = 52000;
    int covered[FIGURES] = {0};
    (void)state;
    print_message("seeds %llu to %llu\n", (unsigned long long)first_seed,
                  (unsigned long long)first_seed + CAPTURES - 1);
    for (uint64_t i = 0; i < CAPTURES; i++) {
        struct carriers carriers = draw_one(first_seed + i);
        struct report *report = carriers_measure(&carriers, NULL);
        double half_rate = carriers.sample_rate_hz / 2.0;
        double reach = fmin(carriers.hz, half_rate - carriers.hz);
        double band = fmin(half_rate / 4, reach) - 100;
        double peak = carriers.jitter_s[0].amount;
        const double truth[FIGURES] = {carriers_dbc(carriers.hz, peak), peak / M_SQRT2,
                                       carriers.random_jitter_s * sqrt(band / half_rate)};
        for (int f = 0; f < FIGURES; f++) {
            const struct report_figure *figure = synthetic_figure(report, 0, names[f]);
            covered[f] +=
                figure->has_value && fabs(figure->value - truth[f]) <= figure->u95;
        }
        report_free(report);
    }
    for (int f = 0; f < FIGURES; f++) {
        print_message("%s: %d of %d\n", names[f], covered[f], CAPTURES);
        assert_between(covered[f], 0.90 * CAPTURES, 0.99 * CAPTURES);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(half_widths_cover_the_truth)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
