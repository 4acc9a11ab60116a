#include "analysis/dsp/lobe_fit.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/fft.h"
#include "tests/support/support.h"

enum { LENGTH = 32768 };

struct sine {
    double bin, amplitude, phase; /* cosine phase at the block's centre */
};

static double value_at(const struct sine *sine, int n)
{
    double angle = 2 * M_PI * sine->bin * (n - LENGTH / 2) / LENGTH + sine->phase;
    return sine->amplitude * cos(angle);
}

/* Fits to the first of two sines in noise. */
static struct lobe_fit fit_first(const struct sine sines[2], double noise, uint64_t seed)
{
    struct support_random random = support_random_seed(seed);
    struct fft_cache *cache = fft_cache_new();
    const struct window *window;
    double *buffer = fft_buffer_new(LENGTH), *block = malloc(LENGTH * sizeof *block);
    assert_true(fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, LENGTH, &window, NULL));
    for (int n = 0; n < LENGTH; n++) {
        block[n] = value_at(&sines[0], n) + value_at(&sines[1], n);
        block[n] += noise * support_gaussian(&random);
    }
    fft_put_windowed(buffer, window, block, 0);
    assert_true(fft_forward(cache, LENGTH, buffer, NULL, NULL));
    struct lobe_fit fit = lobe_fit(window, buffer, round(sines[0].bin) + 0.1);
    free(block);
    fft_buffer_free(buffer);
    fft_cache_free(cache);
    return fit;
}

/* Closed form: frequency, amplitude and phase are those put in, whatever stands 15 bins
 * away. */
static void fit_returns_what_was_put_in_beside_another(void **state)
{
    (void)state;
    for (int i = 0; i < 12; i++) {
        struct sine sines[] = {{900.4 + i / 12.0 - 0.5, 0.2, i - 6.0}, {915.7, 0.8, 1}};
        struct lobe_fit fit = fit_first(sines, 0, 1);
        assert_close(fit.bin, sines[0].bin, 1e-6);
        assert_close(cabs(fit.phasor) / 0.2, 1, 1e-6);
        assert_close(remainder(carg(fit.phasor) - sines[0].phase, 2 * M_PI), 0, 1e-6);
        assert_between(fit.misfit, 0, 1e-9);
        assert_close(lobe_fit_tone(&fit, LENGTH).cycles * LENGTH, fit.bin, 1e-9);
    }
}

/* What the fit says of its own scatter is what 200 draws of noise scatter by, themselves
 * known to 5 % (closed form: 1/√(2·200)). Bins of the window are correlated, fewer than
 * 15 of them independent, so that it says somewhat little. */
static void scatter_is_what_the_fit_says(void **state)
{
    enum { DRAWS = 200 };
    const struct sine sines[] = {{1000.3, 0.5, 0.4}, {3000, 0, 0}};
    double squares = 0, said = 0;
    (void)state;
    for (int i = 0; i < DRAWS; i++) {
        struct lobe_fit fit = fit_first(sines, 0.05, 100 + (uint64_t)i);
        squares += pow(fit.bin - sines[0].bin, 2) / DRAWS;
        said += fit.bin_sd / DRAWS;
    }
    assert_between(sqrt(squares) / said, 0.8, 1.6);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fit_returns_what_was_put_in_beside_another),
        cmocka_unit_test(scatter_is_what_the_fit_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
