/* Closed forms: decibels and percent of ratios, first-order errors by hand. */
#include "analysis/measurements/figures.h"

#include <math.h>

#include "tests/support/support.h"

enum { RATIO, PERCENT, LEVEL, FIGURES };

static const struct figure_description table[FIGURES] = {
    [RATIO] = {"ratio", "dB", "", "", BETTER_LOWER, FLOOR_NONE, NULL},
    [PERCENT] = {"percent", "%", "", "", BETTER_LOWER, FLOOR_NONE, NULL},
    [LEVEL] = {"level", "dBFS", "", "", BETTER_LOWER, FLOOR_NONE, NULL},
};
static const struct description description = {
    .name = "made-up", .figures = table, .figure_count = FIGURES};

static struct report *empty(void)
{
    const int channels[] = {1};
    struct report *report = report_new(&description, channels, 1);
    assert_non_null(report);
    return report;
}

static void ratio_is_told_with_its_larger_half_width(void **state)
{
    (void)state;
    struct report *report = empty();
    const struct report_figure *figures = report->channels[0].figures;
    figures_ratio_db(report, 0, RATIO, 0.01, 0.001, 1);
    assert_close(figures[RATIO].value, -20, 1e-12);
    assert_close(figures[RATIO].u95, -10 * log10(0.9), 1e-12);
    figures_ratio_db(report, 0, RATIO, 0.01, 0.001, -1);
    assert_close(figures[RATIO].value, 20, 1e-12);
    figures_ratio_percent(report, 0, PERCENT, 1e-4, 1e-5);
    assert_close(figures[PERCENT].value, 1, 1e-12);
    assert_close(figures[PERCENT].u95, 1 - sqrt(0.9), 1e-12);
    figures_level(report, 0, LEVEL, (struct power){0.5, 0.05});
    assert_close(figures[LEVEL].value, 0, 1e-12); /* mean square ½ is 0 dBFS */
    report_free(report);
}

static void ratio_below_its_half_width_is_a_bound(void **state)
{
    (void)state;
    struct report *report = empty();
    const struct report_figure *figures = report->channels[0].figures;
    figures_ratio_db(report, 0, RATIO, 0.01, 0.03, 1);
    assert_false(figures[RATIO].has_value);
    assert_int_equal(figures[RATIO].reason, REASON_BELOW_NOISE);
    assert_close(figures[RATIO].bound, 10 * log10(0.04), 1e-12);
    figures_ratio_percent(report, 0, PERCENT, -0.01, 0.0004);
    assert_false(figures[PERCENT].has_value);
    assert_close(figures[PERCENT].bound, 2, 1e-12);
    figures_level(report, 0, LEVEL, (struct power){0, 0});
    assert_false(figures[LEVEL].has_bound);
    report_free(report);
}

static void half_width_of_all_of_it_is_not_known(void **state)
{
    (void)state;
    assert_close(figures_db_u95(0.5), 10 * log10(2), 1e-12);
    assert_true(isnan(figures_db_u95(1)));
    assert_true(isnan(figures_db_u95(NAN)));
}

/* 20 kHz to 0.45 of the rate: 21.6 kHz at 48 kHz; 19.845 kHz at 44.1 kHz is none. */
static void range_out_of_band_ends_below_half_the_rate(void **state)
{
    (void)state;
    struct bins range = figures_out_of_band(48000, 4800);
    assert_int_equal(range.first, 2000);
    assert_int_equal(range.last, 2160);
    assert_int_equal(bins_width(figures_out_of_band(44100, 4410)), 0);
    struct report *report = empty();
    const struct report_figure *figures = report->channels[0].figures;
    figures_out_of_band_level(report, 0, LEVEL, (struct power){0.5, 0.05}, 99);
    assert_false(figures[LEVEL].has_value);
    assert_int_equal(figures[LEVEL].reason, REASON_ABOVE_BAND);
    figures_out_of_band_level(report, 0, LEVEL, (struct power){0.5, 0.05}, 100);
    assert_close(figures[LEVEL].value, 0, 1e-12);
    report_free(report);
}

static void span_covers_all_segments(void **state)
{
    (void)state;
    struct report *report = empty();
    struct segment_plan plan = {0, 480, 4800, 2400, 3};
    figures_span(report, 0, &plan, 48000);
    assert_close(report->channels[0].start_s, 0.01, 1e-12);
    assert_close(report->channels[0].end_s, 0.01 + 0.2, 1e-12);
    report_free(report);
}

/* A line of power 1 that lies half a bin off, in as much noise as just hides it: the
 * bound is below it in 3 % of spectra at the most. */
static void a_hidden_line_is_below_its_bound(void **state)
{
    static const int averages[] = {4, 12, 100};
    const struct window *window;
    struct problem problem = {0};
    struct fft_cache *cache = fft_cache_new();
    struct support_random random = support_random_seed(4711);
    (void)state;
    assert_non_null(cache);
    assert_true(fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, 1024, &window, &problem));
    double halved =
        window_transform(window->kind, 0.5) / window_transform(window->kind, 0);
    double line = 1 / spectrum_peak_factor(window) * halved * halved;
    for (int i = 0; i < 3; i++) {
        int low = 0, n = averages[i];
        double noise = line / (statistics_line_threshold(n, 20000) - 1);
        for (int trial = 0; trial < 2000; trial++) {
            double sum = 0;
            for (int k = 0; k < n; k++) {
                double re = sqrt(line) + sqrt(noise / 2) * support_gaussian(&random),
                       im = sqrt(noise / 2) * support_gaussian(&random);
                sum += (re * re + im * im) / n;
            }
            low += figures_hidden_line(window, sum, n) < 1;
        }
        print_message("%d averages: %d of 2000 below\n", n, low);
        assert_between(low, 0, 60);
    }
    fft_cache_free(cache);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_hidden_line_is_below_its_bound),
        cmocka_unit_test(ratio_is_told_with_its_larger_half_width),
        cmocka_unit_test(ratio_below_its_half_width_is_a_bound),
        cmocka_unit_test(half_width_of_all_of_it_is_not_known),
        cmocka_unit_test(range_out_of_band_ends_below_half_the_rate),
        cmocka_unit_test(span_covers_all_segments),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
