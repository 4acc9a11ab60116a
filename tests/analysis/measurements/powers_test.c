/* Flat noise made of the gamma distribution's mean: closed forms. */
#include "analysis/measurements/powers.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

enum { LENGTH = 4096, BINS = LENGTH / 2 + 1, SEGMENTS = 64 };

struct fixture {
    struct spectrum spectrum;
    struct window window;
    double sum[BINS], sum_squares[BINS];
};

/* Average of SEGMENTS exponential powers of mean 1 in every bin, and lines of 1e6. */
static void make(struct fixture *fixture, const struct bins *lines, int count)
{
    struct support_random random = support_random_seed(7);
    struct problem problem = {0};
    assert_true(window_new(WINDOW_BLACKMAN_HARRIS_7, LENGTH, &fixture->window, &problem));
    fixture->spectrum = (struct spectrum){.bins = BINS,
                                          .segments = SEGMENTS,
                                          .sum = fixture->sum,
                                          .scatter_bins = BINS,
                                          .sum_squares = fixture->sum_squares};
    for (int j = 0; j < BINS; j++) {
        fixture->sum[j] = 0;
        for (int i = 0; i < SEGMENTS; i++)
            fixture->sum[j] -= log(1 - support_uniform(&random)) / SEGMENTS;
    }
    for (int i = 0; i < count; i++)
        for (int j = lines[i].first; j <= lines[i].last; j++)
            fixture->sum[j] = 1e6;
}

static void noise_under_an_interval_is_the_density_times_its_weight(void **state)
{
    (void)state;
    static struct fixture fixture;
    const struct bins lines[] = {{400, 414}, {1000, 1014}};
    make(&fixture, lines, 2);
    struct powers_view view = {&fixture.spectrum, &fixture.window, lines, 2};
    struct power power = powers_under(&view, lines[0], 15);
    /* 96 bins of 64 averages: a median's scatter is 1.6 %, so 8 % are five of them. */
    assert_close(power.mean, 15, 15 * 0.08);
    assert_close(power.u95 / power.mean, 2 * sqrt(1.57 * 3.6728 / (96.0 * SEGMENTS)),
                 0.01);
    window_free(&fixture.window);
}

static void restored_counts_what_lies_in_range_only(void **state)
{
    (void)state;
    static struct fixture fixture;
    const struct bins lines[] = {{400, 414}, {1000, 1014}, {1990, 2004}};
    make(&fixture, lines, 3);
    struct powers_view view = {&fixture.spectrum, &fixture.window, lines, 3};
    struct powers_cut cut = {lines, 3, {0, -1}};
    static double weights[1601];
    for (int i = 0; i < 1601; i++)
        weights[i] = i < 300 ? 1 : 0.25;
    /* range 400 … 2000: 15 + 15 + 11 bins */
    struct bins range = {400, 2000};
    assert_close(powers_restored(&view, &cut, range, NULL).mean, 41, 41 * 0.05);
    assert_close(powers_restored(&view, &cut, range, weights).mean, 15 + 26 * 0.25,
                 21.5 * 0.06);
    window_free(&fixture.window);
}

static void sum_outside_leaves_the_intervals_out(void **state)
{
    (void)state;
    double powers[12], weights[8];
    for (int j = 0; j < 12; j++)
        powers[j] = j;
    for (int j = 0; j < 8; j++)
        weights[j] = 2;
    const struct bins excluded[] = {{0, 3}, {6, 7}, {10, 15}};
    struct bins range = {2, 9};
    assert_close(powers_sum_outside(powers, excluded, 3, range, NULL), 4 + 5 + 8 + 9, 0);
    assert_close(powers_sum_outside(powers, excluded, 3, range, weights), 52, 0);
    assert_close(powers_sum_outside(powers, NULL, 0, range, NULL), 44, 0);
}

static void mean_of_segments_with_noise_scales_its_half_width(void **state)
{
    (void)state;
    struct moments moments = {0};
    for (int i = 0; i < 9; i++)
        moments_add(&moments, 10 + i % 3 - 1, 0);
    struct power power = powers_with(&moments, (struct power){2, 0}, 0.5);
    assert_close(power.mean, 11.5, 1e-12);
    /* t(8) = 2.306004, s = √(6/8), n = 9; twelve tenths of it */
    assert_close(power.u95, 1.2 * 2.306004 * sqrt(6.0 / 8) / 3, 1e-6);
    assert_close(powers_less(power).mean, -11.5, 1e-12);
    /* noise taken away leaves its scatter behind */
    power = powers_with(&moments, (struct power){-9.5, 0}, 0);
    assert_close(power.mean, 0.5, 1e-12);
    assert_close(power.u95, 2.306004 * sqrt(6.0 / 8) / 3, 1e-6);
}

static void leakage_is_never_taken_from_what_it_makes_up(void **state)
{
    (void)state;
    struct power power = {10, 0};
    assert_close(powers_without_leakage(power, 4).mean, 6, 0);
    assert_close(powers_without_leakage(power, 4).u95, 0.4, 1e-12);
    assert_close(powers_without_leakage(power, 5).mean, 10, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(noise_under_an_interval_is_the_density_times_its_weight),
        cmocka_unit_test(restored_counts_what_lies_in_range_only),
        cmocka_unit_test(sum_outside_leaves_the_intervals_out),
        cmocka_unit_test(mean_of_segments_with_noise_scales_its_half_width),
        cmocka_unit_test(leakage_is_never_taken_from_what_it_makes_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
