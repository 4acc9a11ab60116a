#include "analysis/dsp/fft.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/support/support.h"

/* Naive oracle: the defining sum, over many sizes. */
static void forward_equals_the_defining_sum(void **state)
{
    struct fft_cache *cache = fft_cache_new();
    struct support_random random = support_random_seed(11);
    (void)state;
    for (int length = 2; length <= 1024; length *= 2) {
        double *buffer = fft_buffer_new(length), input[1024];
        for (int n = 0; n < length; n++)
            buffer[n] = input[n] = support_gaussian(&random);
        assert_true(fft_forward(cache, length, buffer, NULL, NULL));
        for (int j = 0; j <= length / 2; j++) {
            double re = 0, im = 0;
            for (int n = 0; n < length; n++) {
                double angle = 2 * M_PI * (j * n % length) / length;
                re += input[n] * cos(angle);
                im -= input[n] * sin(angle);
            }
            assert_close(buffer[2 * j], re, 1e-11);
            assert_close(buffer[2 * j + 1], im, 1e-11);
        }
        fft_buffer_free(buffer);
    }
    fft_cache_free(cache);
}

static void forward_repeats_to_the_bit(void **state)
{
    enum { LENGTH = 65536 };
    struct support_random random = support_random_seed(12);
    double *first = fft_buffer_new(LENGTH), *second = fft_buffer_new(LENGTH);
    struct fft_cache *one = fft_cache_new(), *other = fft_cache_new();
    (void)state;
    for (int n = 0; n < LENGTH; n++)
        first[n] = second[n] = support_gaussian(&random);
    assert_true(fft_forward(one, LENGTH, first, NULL, NULL));
    assert_true(fft_forward(other, LENGTH, second, NULL, NULL));
    assert_memory_equal(first, second, (LENGTH + 2) * sizeof(double));
    fft_buffer_free(first);
    fft_buffer_free(second);
    fft_cache_free(one);
    fft_cache_free(other);
}

/* Defining sum at bins of every row and both halves of it; powers belong to the bins, and
 * add up. 2^15 is the shortest block that is taken apart, 2^21 has rows longer than one
 * that is not. */
static void long_blocks_are_put_together(void **state)
{
    struct support_random random = support_random_seed(13);
    struct fft_cache *cache = fft_cache_new();
    (void)state;
    for (int length = 1 << 15; length <= 1 << 21; length *= 4) {
        double *buffer = fft_buffer_new(length), scale = 2.0 / length;
        double *input = malloc((size_t)length * sizeof *input);
        double *powers = calloc((size_t)length / 2 + 1, 3 * sizeof *powers);
        int bins = length / 2 + 1;
        struct kernels_powers to = {scale, powers, powers + bins, powers + 2 * bins,
                                    bins};
        for (int n = 0; n < length; n++)
            input[n] = support_gaussian(&random);
        for (int n = 0; n < length; n += 512)
            fft_put(buffer, length, n, input + n, 512);
        assert_true(fft_forward(cache, length, buffer, &to, NULL));
        for (int i = 0; i < 40; i++) {
            int edge = i / 4 * (length / 64) + i % 4; /* about the ends of rows */
            int j = i < 20 ? (int)(support_uniform(&random) * bins) : edge;
            double complex sum = 0, bin = fft_bin(buffer, length, j);
            for (int n = 0; n < length; n++) {
                double angle = -2 * M_PI * (double)((int64_t)j * n % length) / length;
                sum += input[n] * (cos(angle) + I * sin(angle));
            }
            assert_close(cabs(bin - sum) / sqrt(length), 0, 1e-12);
        }
        for (int j = 0; j < bins; j++) {
            double size = cabs(fft_bin(buffer, length, j));
            assert_close(powers[j] / (scale * size * size), 1, 1e-14);
            assert_true(powers[bins + j] == powers[j] &&
                        powers[2 * bins + j] == powers[j] * powers[j]);
        }
        free(input);
        free(powers);
        fft_buffer_free(buffer);
    }
    fft_cache_free(cache);
}

/* Naive oracle: each sample less dc times its weight, put one after the other. */
static void a_windowed_block_is_put_whole(void **state)
{
    enum { LENGTH = 1 << 15 };
    struct support_random random = support_random_seed(14);
    struct fft_cache *cache = fft_cache_new();
    double *got = fft_buffer_new(LENGTH), *want = fft_buffer_new(LENGTH);
    double *samples = malloc(LENGTH * sizeof *samples);
    const struct window *window;
    (void)state;
    assert_true(fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, LENGTH, &window, NULL));
    for (int n = 0; n < LENGTH; n++)
        samples[n] = support_gaussian(&random);
    fft_put_windowed(got, window, samples, 0.25);
    for (int n = 0; n < LENGTH; n++)
        samples[n] = (samples[n] - 0.25) * window->values[n];
    for (int n = 0; n < LENGTH; n += 512)
        fft_put(want, LENGTH, n, samples + n, 512);
    assert_true(fft_forward(cache, LENGTH, got, NULL, NULL));
    assert_true(fft_forward(cache, LENGTH, want, NULL, NULL));
    for (int j = 0; j <= LENGTH / 2; j++)
        assert_close(cabs(fft_bin(got, LENGTH, j) - fft_bin(want, LENGTH, j)), 0, 1e-10);
    free(samples);
    fft_buffer_free(got);
    fft_buffer_free(want);
    fft_cache_free(cache);
}

/* A window stays as long as it fits: 2^20 samples are 8 MiB. */
/* The oracle is fft_bin, one bin at a time; runs cross rows and their mirrored halves. */
static void bins_come_in_order(void **state)
{
    (void)state;
    for (int length = 1 << 13; length <= 1 << 17; length *= 4) {
        struct support_random random = support_random_seed(17);
        double *buffer = fft_buffer_new(length),
               *bins = malloc(sizeof(double) * 2 * 40000);
        struct fft_cache *cache = fft_cache_new();
        for (int n = 0; n < length; n++) {
            double value = support_gaussian(&random);
            if (length <= FFT_ROW)
                buffer[n] = value;
            else if (n % 512 == 0) {
                double block[512];
                for (int i = 0; i < 512; i++)
                    block[i] = support_gaussian(&random);
                fft_put(buffer, length, n, block, 512);
            }
        }
        assert_true(fft_forward(cache, length, buffer, NULL, NULL));
        const struct {
            int first, count;
        } runs[] = {{0, length / 2 + 1}, {8190, 3}, {length / 4 - 7, length / 8}};
        for (int r = 0; r < 3; r++) {
            int most = length / 2 + 1 - runs[r].first;
            int count = runs[r].count < most ? runs[r].count : most;
            count = count < 0 ? 0 : count < 40000 ? count : 40000;
            fft_bins(buffer, length, runs[r].first, count, bins);
            for (int j = 0; j < count; j++) {
                double complex bin = fft_bin(buffer, length, runs[r].first + j);
                assert_true(bins[2 * j] == creal(bin) && bins[2 * j + 1] == cimag(bin));
            }
        }
        free(bins);
        fft_buffer_free(buffer);
        fft_cache_free(cache);
    }
}

static void windows_are_kept_within_bounds(void **state)
{
    struct fft_cache *cache = fft_cache_new();
    const struct window *small, *large, *again;
    (void)state;
    assert_true(fft_window(cache, WINDOW_HANN, 4096, &small, NULL));
    assert_true(fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, 1 << 20, &large, NULL));
    assert_true(fft_window(cache, WINDOW_HANN, 4096, &again, NULL) && again == small);
    fft_cache_trim(cache);
    assert_non_null(small->values);
    assert_null(large->values);
    assert_true(fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, 1 << 20, &again, NULL));
    assert_true(again->length == 1 << 20 && again->values);
    fft_cache_free(cache);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(forward_equals_the_defining_sum),
        cmocka_unit_test(forward_repeats_to_the_bit),
        cmocka_unit_test(long_blocks_are_put_together),
        cmocka_unit_test(a_windowed_block_is_put_whole),
        cmocka_unit_test(bins_come_in_order),
        cmocka_unit_test(windows_are_kept_within_bounds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
