#include "analysis/dsp/lines.h"

#include <math.h>

#include "analysis/dsp/fft.h"
#include "tests/support/support.h"

enum { LENGTH = 8192, SEGMENTS = 12 };

struct tone {
    double bin, amplitude;
};

/* A finished average of white noise of variance 1e-6, tilted if asked, and tones. */
static struct spectrum average(uint64_t seed, const struct tone *tones, int count,
                               double tilt)
{
    struct support_random random = support_random_seed(seed);
    struct fft_cache *cache = fft_cache_new();
    double *buffer = fft_buffer_new(LENGTH), last = 0;
    static double powers[LENGTH / 2 + 1];
    struct window window;
    struct spectrum spectrum;
    assert_true(window_new(WINDOW_BLACKMAN_HARRIS_7, LENGTH, &window, NULL));
    assert_true(spectrum_new(LENGTH, LENGTH, &spectrum, NULL));
    for (int k = 0; k < SEGMENTS; k++) {
        for (int n = 0; n < LENGTH; n++) {
            last = tilt * last + 1e-3 * support_gaussian(&random);
            buffer[n] = last;
            for (int t = 0; t < count; t++)
                buffer[n] +=
                    tones[t].amplitude * sin(2 * M_PI * tones[t].bin * n / LENGTH + k);
            buffer[n] *= window.values[n];
        }
        assert_true(spectrum_take(cache, &window, buffer, powers, &spectrum, NULL));
    }
    spectrum_finish(&spectrum);
    window_free(&window);
    fft_buffer_free(buffer);
    fft_cache_free(cache);
    return spectrum;
}

static const struct line_search everywhere = {{10, LENGTH / 2 - 10}, {0, -1}, 0};

/* Closed form: place and power of each tone. */
static void lines_have_their_place_and_power(void **state)
{
    const struct tone tones[] = {
        {500.3, 0.5}, {1200.5, 1e-3}, {1215, 2e-3}, {3000.8, 3e-4}};
    struct spectrum spectrum = average(31, tones, 4, 0);
    struct line_list list;
    (void)state;
    assert_true(lines_find(&spectrum, &everywhere, &list, NULL));
    assert_int_equal(list.count, 4);
    const int order[] = {0, 2, 1, 3};
    const double within_db[] = {1e-3, 0.1, 0.2, 0.8}; /* noise beside them, about 4 σ */
    for (int i = 0; i < 4; i++) {
        const struct tone *tone = &tones[order[i]];
        double want = tone->amplitude * tone->amplitude / 2;
        assert_close(list.lines[i].bin, tone->bin, i == 3 ? 0.1 : 0.03);
        assert_close(10 * log10(list.lines[i].power / want), 0, within_db[i]);
    }
    lines_free(&list);
    spectrum_free(&spectrum);
}

/* The false-alarm rate is 1e-3 a spectrum: 60 spectra of noise, flat and steep, hold at
 * most one line (probability of two or more about 0.2 %; seeds fixed). */
static void noise_holds_no_lines(void **state)
{
    int found = 0;
    (void)state;
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct spectrum spectrum = average(seed, NULL, 0, seed % 2 ? 0 : 0.97);
        struct line_list list;
        assert_true(lines_find(&spectrum, &everywhere, &list, NULL));
        found += list.count;
        lines_free(&list);
        spectrum_free(&spectrum);
    }
    assert_between(found, 0, 1);
}

static void hidden_bins_and_dust_are_left_out(void **state)
{
    const struct tone tones[] = {{500.3, 0.5}, {1500, 1e-2}};
    struct spectrum spectrum = average(32, tones, 2, 0);
    struct line_search search = everywhere;
    struct line_list list;
    (void)state;
    search.hidden = (struct bins){490, 510};
    assert_true(lines_find(&spectrum, &search, &list, NULL));
    assert_int_equal(list.count, 1);
    assert_int_equal(list.lines[0].peak, 1500);
    lines_free(&list);
    search.floor = 1e-3;
    assert_true(lines_find(&spectrum, &search, &list, NULL));
    assert_int_equal(list.count, 0);
    lines_free(&list);
    spectrum_free(&spectrum);
}

/* Closed form: 1e-3 at bin 1200.5, and nothing where there is only its slope or noise. */
static void line_at_a_place_is_found_there_only(void **state)
{
    const struct tone tones[] = {{500.3, 0.5}, {1200.5, 1e-3}};
    struct spectrum spectrum = average(33, tones, 2, 0);
    struct line line;
    (void)state;
    assert_true(lines_at(&spectrum, (struct bins){1198, 1203}, 10, &line));
    assert_close(line.bin, 1200.5, 0.03);
    assert_close(10 * log10(line.power / 0.5e-6), 0, 0.1);
    assert_false(lines_at(&spectrum, (struct bins){1202, 1205}, 10, &line));  /* slope */
    assert_false(lines_at(&spectrum, (struct bins){2000, 2100}, 10, &line));  /* noise */
    assert_false(lines_at(&spectrum, (struct bins){1198, 1203}, 1e6, &line)); /* weak */
    assert_false(lines_at(&spectrum, (struct bins){600, 599}, 10, &line)); /* nowhere */
    spectrum_free(&spectrum);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lines_have_their_place_and_power),
        cmocka_unit_test(noise_holds_no_lines),
        cmocka_unit_test(hidden_bins_and_dust_are_left_out),
        cmocka_unit_test(line_at_a_place_is_found_there_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
