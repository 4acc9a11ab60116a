#include "analysis/dsp/spectrum.h"

#include <math.h>

#include "analysis/dsp/fft.h"
#include "tests/support/support.h"

enum { LENGTH = 8192 };

static struct window window;
static struct fft_cache *cache;
static double *buffer;
static double powers[LENGTH / 2 + 1];

static int set_up(void **state)
{
    (void)state;
    cache = fft_cache_new();
    buffer = fft_buffer_new(LENGTH);
    return window_new(WINDOW_BLACKMAN_HARRIS_7, LENGTH, &window, NULL) ? 0 : -1;
}

static int tear_down(void **state)
{
    (void)state;
    fft_buffer_free(buffer);
    fft_cache_free(cache);
    window_free(&window);
    return 0;
}

static void transform(struct spectrum *spectrum)
{
    for (int n = 0; n < LENGTH; n++)
        buffer[n] *= window.values[n];
    assert_true(spectrum_take(cache, &window, buffer, powers, spectrum, NULL));
}

/* Closed form: the main lobe of a sine of peak A holds A²/2, wherever it lies. */
static void lobe_of_a_tone_sums_to_its_mean_square(void **state)
{
    (void)state;
    for (double bin = 500; bin < 501; bin += 0.1) {
        for (int n = 0; n < LENGTH; n++)
            buffer[n] = 0.3 * sin(2 * M_PI * bin * n / LENGTH + bin);
        transform(NULL);
        int centre = (int)lround(bin);
        assert_close(spectrum_sum(powers, (struct bins){centre - 7, centre + 7}), 0.045,
                     1e-12);
    }
}

/* Parseval: the sum over all bins is the windowed mean square, so white noise of variance
 * 1 sums to 1, within its scatter. */
static void noise_sums_to_its_variance(void **state)
{
    struct support_random random = support_random_seed(21);
    double sum = 0;
    (void)state;
    for (int k = 0; k < 40; k++) {
        for (int n = 0; n < LENGTH; n++)
            buffer[n] = support_gaussian(&random);
        transform(NULL);
        sum += spectrum_sum(powers, (struct bins){0, LENGTH / 2}) / 40;
    }
    assert_close(sum, 1, 0.02); /* 5 σ = 5·sqrt(2·2.63/(40·8192)) */
}

/* Peak factor: a tone at a bin's centre read from one bin. */
static void peak_factor_reads_a_tone_from_one_bin(void **state)
{
    (void)state;
    for (int n = 0; n < LENGTH; n++)
        buffer[n] = sin(2 * M_PI * 700.0 * n / LENGTH);
    transform(NULL);
    assert_close(powers[700] * spectrum_peak_factor(&window), 0.5, 1e-12);
}

static void sum_of_an_empty_range_is_zero(void **state)
{
    const double few[] = {1, 2, 3};
    (void)state;
    assert_close(spectrum_sum(few, (struct bins){2, 1}), 0, 0);
    assert_close(spectrum_sum(few, (struct bins){0, 2}), 6, 0);
}

/* A line next to the interval, and a neighbour that is excluded, leave the density alone.
 */
static void density_ignores_lines_and_excluded_bins(void **state)
{
    struct support_random random = support_random_seed(22);
    struct spectrum spectrum;
    struct bins excluded[] = {{993, 1007}, {1015, 1029}};
    (void)state;
    assert_true(spectrum_new(LENGTH, LENGTH, &spectrum, NULL));
    for (int k = 0; k < 60; k++) {
        for (int n = 0; n < LENGTH; n++)
            buffer[n] = support_gaussian(&random) + sin(2 * M_PI * 1000.2 * n / LENGTH) +
                        0.5 * sin(2 * M_PI * 1022.0 * n / LENGTH) +
                        0.5 * sin(2 * M_PI * 970.0 * n / LENGTH);
        transform(&spectrum);
    }
    spectrum_finish(&spectrum);
    struct spectrum_surroundings around = {spectrum.sum, spectrum.bins, excluded, 2, 48};
    double density = spectrum_density_beside(&around, excluded[0]).mean;
    assert_close(density * LENGTH / 2, 1, 0.1);
    spectrum_free(&spectrum);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lobe_of_a_tone_sums_to_its_mean_square),
        cmocka_unit_test(noise_sums_to_its_variance),
        cmocka_unit_test(peak_factor_reads_a_tone_from_one_bin),
        cmocka_unit_test(sum_of_an_empty_range_is_zero),
        cmocka_unit_test(density_ignores_lines_and_excluded_bins),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
