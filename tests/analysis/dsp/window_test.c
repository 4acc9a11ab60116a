#include "analysis/dsp/window.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

/* Coefficients as published: they sum to 1, and the noise bandwidth is 2.6319 bins. */
static void blackman_harris_7_has_its_noise_bandwidth(void **state)
{
    struct window window;
    (void)state;
    assert_true(window_new(WINDOW_BLACKMAN_HARRIS_7, 65536, &window, NULL));
    assert_close(window.enbw_bins, 2.6319, 5e-5);
    assert_close(window.correlated_bins, 3.67276, 5e-5); /* SciPy: N·Σw⁴/(Σw²)² */
    double sum = 0, squares = 0;
    for (int n = 0; n < 65536; n++) {
        sum += window.values[n];
        squares += window.values[n] * window.values[n];
    }
    assert_close(sum / window.sum, 1, 1e-12);
    assert_close(squares / window.sum_squares, 1, 1e-12);
    assert_close(window.sum / 65536, .27105140069342, 1e-12);
    assert_close(window.values[32768], 1, 1e-12);
    window_free(&window);
}

/* Closed form: Hann's noise bandwidth is 3/2 bins. */
static void hann_has_a_noise_bandwidth_of_one_and_a_half(void **state)
{
    struct window window;
    (void)state;
    assert_true(window_new(WINDOW_HANN, 4096, &window, NULL));
    assert_close(window.enbw_bins, 1.5, 1e-12);
    assert_close(window.correlated_bins, 35 / 18.0, 1e-12); /* closed form */
    assert_close(window.values[1024], 0.5, 1e-12);
    window_free(&window);
}

/* Side lobes below −180 dB, and a first zero at ±7 bins (ICASSP 2001; from memory). */
static void blackman_harris_7_has_side_lobes_below_180_db(void **state)
{
    double peak = window_transform(WINDOW_BLACKMAN_HARRIS_7, 0), highest = 0;
    (void)state;
    for (double bins = 7; bins < 200; bins += 0.01)
        highest =
            fmax(highest, fabs(window_transform(WINDOW_BLACKMAN_HARRIS_7, bins) / peak));
    assert_between(20 * log10(highest), -190, -180);
}

/* Naive oracle: the sum that the transform stands for. */
static void transform_equals_the_direct_sum(void **state)
{
    const int length = 1024;
    const double offsets[] = {0, 0.3, -0.5, 1, 2.7, 6.9, 11.25};
    (void)state;
    for (int kind = WINDOW_HANN; kind <= WINDOW_BLACKMAN_HARRIS_7; kind++) {
        struct window window;
        assert_true(window_new((enum window_kind)kind, length, &window, NULL));
        for (size_t i = 0; i < sizeof offsets / sizeof *offsets; i++) {
            double sum = 0;
            for (int n = 0; n < length; n++)
                sum += window.values[n] *
                       cos(2 * M_PI * offsets[i] * (n - length / 2) / length);
            assert_close(window_transform((enum window_kind)kind, offsets[i]),
                         sum / length, 2e-6);
        }
        window_free(&window);
    }
}

/* Naive oracle: transform a tone by direct sums and add up what lies outside. */
static void leakage_equals_the_direct_sum(void **state)
{
    enum { LENGTH = 1024, TONE = 300, HALF = 3 };
    struct window window;
    const double offset = 0.3;
    double inside = 0, whole = 0;
    (void)state;
    assert_true(window_new(WINDOW_BLACKMAN_HARRIS_7, LENGTH, &window, NULL));
    for (int j = 0; j < LENGTH; j++) {
        double re = 0, im = 0;
        for (int n = 0; n < LENGTH; n++) {
            double turns = (TONE + offset - j) * n / LENGTH;
            re += window.values[n] * cos(2 * M_PI * turns);
            im += window.values[n] * sin(2 * M_PI * turns);
        }
        whole += re * re + im * im;
        inside += abs(j - TONE) <= HALF ? re * re + im * im : 0;
    }
    assert_close(window_leakage(WINDOW_BLACKMAN_HARRIS_7, offset, HALF) /
                     (1 - inside / whole),
                 1, 1e-3);
    /* At seven bins: below −161 dB wherever the tone lies. */
    for (double place = -0.5; place <= 0.5; place += 0.05)
        assert_between(window_leakage(WINDOW_BLACKMAN_HARRIS_7, place, 7), 0,
                       pow(10, -16.1));
    window_free(&window);
}

/* Naive oracle: the sums themselves, at once dense and far away. */
static void sums_equal_the_direct_ones(void **state)
{
    enum { LENGTH = 1024 };
    const double bins[] = {0, 0.4, 3, 11.37, 300.5, 512, 700.25};
    (void)state;
    for (int kind = WINDOW_HANN; kind <= WINDOW_BLACKMAN_HARRIS_7; kind++) {
        struct window window;
        assert_true(window_new((enum window_kind)kind, LENGTH, &window, NULL));
        for (size_t i = 0; i < sizeof bins / sizeof *bins; i++) {
            double complex plain = 0, timed = 0;
            for (int t = -LENGTH / 2; t < LENGTH / 2; t++) {
                double complex part = window.values[t + LENGTH / 2] *
                                      cexp(-2 * M_PI * I * fmod(bins[i] * t / LENGTH, 1));
                plain += part;
                timed += t * part;
            }
            struct window_sums sums = window_sums_at(&window, bins[i] / LENGTH);
            assert_close(cabs(sums.plain - plain), 0, 1e-11);
            assert_close(cabs(sums.timed - timed), 0, 1e-8);
        }
        window_free(&window);
    }
}

static void values_are_symmetric(void **state)
{
    struct window window;
    (void)state;
    assert_true(window_new(WINDOW_BLACKMAN_HARRIS_7, 1000, &window, NULL));
    for (int n = 1; n < 500; n++)
        assert_true(window.values[n] == window.values[1000 - n]);
    window_free(&window);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(blackman_harris_7_has_its_noise_bandwidth),
        cmocka_unit_test(hann_has_a_noise_bandwidth_of_one_and_a_half),
        cmocka_unit_test(blackman_harris_7_has_side_lobes_below_180_db),
        cmocka_unit_test(transform_equals_the_direct_sum),
        cmocka_unit_test(sums_equal_the_direct_ones),
        cmocka_unit_test(leakage_equals_the_direct_sum),
        cmocka_unit_test(values_are_symmetric),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
