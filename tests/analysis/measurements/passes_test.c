/* Sines of known level in two channels with segments of two lengths. */
#include "analysis/measurements/passes.h"

#include <math.h>
#include <unistd.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

static const double amplitudes[2] = {0.5, 0.25};

static double sample(int64_t n, int channel, void *context)
{
    (void)context;
    return amplitudes[channel] * sin(2 * M_PI * 0.125 * (double)n);
}

struct counted {
    const struct window *window;
    int segments;
};

static bool take(int plan, int64_t index, const double *samples, void *context,
                 struct problem *problem)
{
    struct passes *passes = context;
    struct counted *counted = passes->channels[plan];
    assert_int_equal(index, counted->segments++);
    assert_int_equal(*(const int *)passes->own, 42);
    fft_put_windowed(passes->buffer, counted->window, samples, 0);
    return spectrum_take(passes->cache, counted->window, passes->buffer, passes->powers,
                         passes->spectra[plan], problem);
}

/* A sine's power is the sum over its main lobe: half its squared amplitude. */
static void each_channel_has_its_own_segments(void **state)
{
    static const int lengths[2] = {4096, 1024}, own = 42;
    struct synthetic synthetic = {48000, 2, 0.5, 0, sample, NULL};
    struct problem problem = {0};
    struct capture *capture;
    struct counted counted[2] = {{NULL, 0}, {NULL, 0}};
    struct spectrum spectra[2];
    struct passes passes = {.cache = fft_cache_new(), .own = &own};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_non_null(passes.cache);
    assert_true(capture_open(descriptor, &capture, &problem));
    for (int c = 0; c < 2; c++) {
        struct segment_plan plan = {c, 100, lengths[c], lengths[c] / 2, 4 + c};
        assert_true(fft_window(passes.cache, WINDOW_BLACKMAN_HARRIS_7, lengths[c],
                               &counted[c].window, &problem));
        assert_true(spectrum_new(lengths[c], lengths[c] / 2 + 1, &spectra[c], &problem));
        passes_add(&passes, &plan, &counted[c], &spectra[c]);
    }
    assert_true(passes_run(&passes, capture, take, NULL, &problem));
    for (int c = 0; c < 2; c++) {
        assert_int_equal(counted[c].segments, 4 + c);
        assert_int_equal(spectra[c].segments, 4 + c);
        assert_close(spectrum_sum(spectra[c].sum, bins_lobe(lengths[c] / 8.0)),
                     amplitudes[c] * amplitudes[c] / 2, 1e-12);
        spectrum_free(&spectra[c]);
    }
    fft_cache_free(passes.cache);
    capture_close(capture);
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_channel_has_its_own_segments),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
