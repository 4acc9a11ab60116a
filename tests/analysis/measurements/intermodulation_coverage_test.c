/* Whether u95 keeps its word: of 200 captures drawn at random, half of each kind of pair,
 * level, modulation and difference figures must lie within their half-width of the truth
 * in 90 to 99 % of the cases. The truth is what was put in: tones and products of known
 * amplitudes, and white noise. */
#include "analysis/measurements/intermodulation.h"

#include <math.h>

#include "analysis/core/decibel.h"
#include "tests/analysis/measurements/pairs.h"

enum { CAPTURES = 100 }; /* of each kind of pair */

struct count {
    const char *name;
    int claimed, covered;
};

static void take(struct count *count, const struct report *report, double truth)
{
    const struct report_figure *figure = synthetic_figure(report, 0, count->name);
    if (!figure->has_value || isnan(figure->u95))
        return;
    count->claimed++;
    count->covered += fabs(figure->value - truth) <= figure->u95;
}

/* Products from 10 to 50 dB above the noise in a lobe of 15 bins of 0.73 Hz. */
static struct pairs draw(uint64_t seed, bool high, double amplitude[4])
{
    struct support_random random = support_random_seed(seed);
    double upper = 0.05 + 0.1 * support_uniform(&random);
    struct pairs pairs = high ? pairs_of(13000, 14000, upper, upper)
                              : pairs_of(60, 7000, 4 * upper, upper);
    double lobe = 1e-5 * sqrt(15 * 0.73 / 24000);
    static const int products[2][4][2] = {{{-1, 1}, {1, 1}, {-2, 1}, {2, 1}},
                                          {{-1, 1}, {2, -1}, {-1, 2}, {1, 1}}};
    pairs.sample_rate_hz = 48000;
    pairs.duration_s = 3 + 5 * support_uniform(&random);
    pairs.ppm = 400 * support_uniform(&random) - 200;
    pairs.noise_rms = 1e-5;
    for (int i = 0; i < 4; i++) {
        double db = 10 + 40 * support_uniform(&random);
        amplitude[i] = M_SQRT2 * lobe * decibel_to_amplitude(db) / upper;
        pairs.lines[pairs.line_count++] =
            (struct pairs_line){amplitude[i] * upper, products[high][i][0],
                                products[high][i][1], 7 * support_uniform(&random), 0};
    }
    pairs.random = random;
    return pairs;
}

static void half_widths_cover_the_truth(void **state)
{
    const uint64_t first_seed = 40260;
    struct count counts[] = {{"level_2", 0, 0},
                             {"modulation_distortion_percent", 0, 0},
                             {"modulation_distortion_rss_percent", 0, 0},
                             {"difference_second_percent", 0, 0},
                             {"difference_third_percent", 0, 0},
                             {"difference_total_percent", 0, 0}};
    (void)state;
    print_message("seeds %llu to %llu\n", (unsigned long long)first_seed,
                  (unsigned long long)first_seed + 2 * CAPTURES - 1);
    for (uint64_t i = 0; i < 2 * CAPTURES; i++) {
        bool high = i % 2;
        double a[4];
        struct pairs pairs = draw(first_seed + i, high, a);
        struct report *report = pairs_measure(&pairs);
        if (high) {
            take(&counts[3], report, 50 * a[0]);
            take(&counts[4], report, 50 * (a[1] + a[2]));
            take(&counts[5], report, 50 * hypot(a[0], a[1] + a[2]));
        } else {
            take(&counts[0], report, 20 * log10(pairs.amplitude[1]));
            take(&counts[1], report, 100 * hypot(a[0] + a[1], a[2] + a[3]));
            take(&counts[2], report, 100 * hypot(hypot(a[0], a[1]), hypot(a[2], a[3])));
        }
        report_free(report);
    }
    for (size_t f = 0; f < sizeof counts / sizeof *counts; f++) {
        double percent = 100.0 * counts[f].covered / counts[f].claimed;
        print_message("%s: u95 covers the truth in %.1f %% of %d captures\n",
                      counts[f].name, percent, counts[f].claimed);
        assert_true(counts[f].claimed > 0.9 * CAPTURES);
        assert_between(percent, 90, 99);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(half_widths_cover_the_truth)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
