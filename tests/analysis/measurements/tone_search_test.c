/* Truth: the tones that the recording was made of. */
#include "analysis/measurements/tone_search.h"

#include <complex.h>
#include <math.h>
#include <unistd.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

enum { RATE_HZ = 48000, LENGTH = 1 << 16 };

struct made {
    struct {
        double hz, amplitude;
    } tones[4];
    double noise_rms;
    struct support_random random;
};

static double sample(int64_t n, int channel, void *context)
{
    struct made *made = context;
    double sum = 0.01 + made->noise_rms * support_gaussian(&made->random);
    (void)channel;
    for (int i = 0; i < 4 && made->tones[i].hz > 0; i++)
        sum += made->tones[i].amplitude *
               cos(2 * M_PI * synthetic_turns(made->tones[i].hz, 0, 0, RATE_HZ, n));
    return sum;
}

static int search(struct made *made, double low_hz, double high_hz, int most,
                  struct tone_fit *found)
{
    struct synthetic synthetic = {RATE_HZ, 1, 2, 0, sample, made};
    struct tone_search search = {.span = {.frames = 2 * RATE_HZ, .dc = 0.01},
                                 .sample_rate_hz = RATE_HZ,
                                 .length = LENGTH,
                                 .low_hz = low_hz,
                                 .high_hz = high_hz,
                                 .most = most};
    struct capture *capture = NULL;
    struct fft_cache *cache = fft_cache_new();
    struct problem problem = {0};
    int count = -1, descriptor;
    made->random = support_random_seed(3);
    descriptor = synthetic_recording(&synthetic);
    assert_true(capture_open(descriptor, &capture, &problem));
    assert_true(tone_search_find(capture, &search, cache, found, &count, &problem));
    capture_close(capture);
    fft_cache_free(cache);
    close(descriptor);
    return count;
}

static void tones_are_found_the_strongest_first(void **state)
{
    (void)state;
    struct made made = {.tones = {{60.1, 0.1}, {7000.3, 0.5}, {12345.6, 1e-3}},
                        .noise_rms = 1e-5};
    struct tone_fit found[4];
    assert_int_equal(search(&made, 20, 20000, 4, found), 3);
    assert_close(found[0].cycles * RATE_HZ, 7000.3, 1e-5);
    assert_close(found[1].cycles * RATE_HZ, 60.1, 1e-4);
    assert_close(found[2].cycles * RATE_HZ, 12345.6, 1e-2);
    assert_close(cabs(found[0].phasor), 0.5, 1e-5);
    assert_int_equal(search(&made, 20, 20000, 1, found), 1);
}

static void only_the_range_is_looked_at(void **state)
{
    (void)state;
    struct made made = {.tones = {{60.1, 0.1}, {7000.3, 0.5}}, .noise_rms = 1e-5};
    struct tone_fit found[1];
    assert_int_equal(search(&made, 20, 1000, 1, found), 1);
    assert_close(found[0].cycles * RATE_HZ, 60.1, 1e-4);
    assert_int_equal(search(&made, 100, 1000, 1, found), 0);
}

static void noise_alone_is_no_tone(void **state)
{
    (void)state;
    struct made made = {.noise_rms = 0.1};
    struct tone_fit found[2];
    assert_int_equal(search(&made, 20, 20000, 2, found), 0);
}

static void neighbours_a_lobe_apart_are_two(void **state)
{
    (void)state;
    double bin_hz = (double)RATE_HZ / LENGTH;
    struct made made = {.tones = {{1000, 0.5}, {1000 + 16 * bin_hz, 0.25}},
                        .noise_rms = 1e-6};
    struct tone_fit found[3];
    assert_int_equal(search(&made, 20, 20000, 3, found), 2);
    assert_close(found[1].cycles * RATE_HZ, 1000 + 16 * bin_hz, 1e-4);
}

static void a_line_half_hidden_by_a_tone_is_none(void **state)
{
    (void)state;
    double bin_hz = (double)RATE_HZ / LENGTH;
    struct made made = {.tones = {{60, 0.4}, {60 - 6.8 * bin_hz, 0.003}, {7000, 0.1}},
                        .noise_rms = 1e-6};
    struct tone_fit found[3];
    assert_int_equal(search(&made, 20, 20000, 3, found), 2);
    assert_close(found[0].cycles * RATE_HZ, 60, 0.01);
    assert_close(found[1].cycles * RATE_HZ, 7000, 1e-4);
}

static void the_slope_of_a_tone_beside_the_range_is_none(void **state)
{
    (void)state;
    double bin_hz = (double)RATE_HZ / LENGTH;
    struct made made = {.tones = {{1000, 0.5}, {1100, 1e-3}}, .noise_rms = 1e-6};
    struct tone_fit found[1];
    assert_int_equal(search(&made, 1000 + 4 * bin_hz, 1200, 1, found), 1);
    assert_close(found[0].cycles * RATE_HZ, 1100, 1e-3);
}

static void a_tone_at_the_edge_of_the_range_is_found(void **state)
{
    (void)state;
    double bin_hz = (double)RATE_HZ / LENGTH;
    for (double bin = 28; bin < 29; bin += 0.1) {
        struct made made = {.tones = {{bin * bin_hz, 0.5}}, .noise_rms = 1e-6};
        struct tone_fit found[1];
        assert_int_equal(search(&made, bin * bin_hz, 20000, 1, found), 1);
        assert_close(found[0].cycles * LENGTH, bin, 1e-4);
        assert_int_equal(search(&made, 15, bin * bin_hz, 1, found), 1);
        assert_close(found[0].cycles * LENGTH, bin, 1e-4);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tones_are_found_the_strongest_first),
        cmocka_unit_test(only_the_range_is_looked_at),
        cmocka_unit_test(noise_alone_is_no_tone),
        cmocka_unit_test(neighbours_a_lobe_apart_are_two),
        cmocka_unit_test(a_tone_at_the_edge_of_the_range_is_found),
        cmocka_unit_test(a_line_half_hidden_by_a_tone_is_none),
        cmocka_unit_test(the_slope_of_a_tone_beside_the_range_is_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
