#include "analysis/dsp/fft.h"

#include <math.h>
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(forward_equals_the_defining_sum),
        cmocka_unit_test(forward_repeats_to_the_bit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
