/* The oracle of each is the plain loop it stands for. Where a sum's bits are promised,
 * the loop adds in the promised order: lane by lane, so that the test holds at any width.
 */
#include "analysis/dsp/kernels.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/support/support.h"

enum { MOST = 4 * KERNELS_BLOCK, LANES = 8 };

static double values[MOST], weights[MOST], got[MOST], want[MOST];

static void fill(uint64_t seed)
{
    struct support_random random = support_random_seed(seed);
    for (int n = 0; n < MOST; n++) {
        values[n] = support_gaussian(&random);
        weights[n] = support_gaussian(&random);
    }
}

static double added_up(const double lanes[LANES])
{
    return ((lanes[0] + lanes[4]) + (lanes[2] + lanes[6])) +
           ((lanes[1] + lanes[5]) + (lanes[3] + lanes[7]));
}

static void sums_have_the_promised_bits(void **state)
{
    (void)state;
    fill(1);
    for (int count = 0; count < 70; count++) {
        double lanes[LANES] = {0}, weighted[LANES] = {0};
        int whole = count - count % LANES;
        for (int n = 0; n < whole; n++) {
            lanes[n % LANES] += values[n];
            weighted[n % LANES] += values[n] * weights[n];
        }
        double sum = added_up(lanes), weighted_sum = added_up(weighted);
        for (int n = whole; n < count; n++) {
            sum += values[n];
            weighted_sum += values[n] * weights[n];
        }
        assert_true(kernels_sum(values, count) == sum);
        assert_true(kernels_weighted_sum(values, weights, count) == weighted_sum);
    }
}

static void levels_equal_the_plain_loop(void **state)
{
    (void)state;
    fill(2);
    for (int count = 1; count < 40; count++) {
        struct kernels_levels levels;
        double sum = 0, squares = 0, minimum = values[0], maximum = values[0];
        for (int n = 0; n < count; n++) {
            sum += values[n];
            squares += values[n] * values[n];
            minimum = fmin(minimum, values[n]);
            maximum = fmax(maximum, values[n]);
        }
        kernels_levels(values, count, &levels);
        assert_close(levels.sum, sum, 1e-13);
        assert_close(levels.sum_squares, squares, 1e-13);
        assert_true(levels.minimum == minimum && levels.maximum == maximum);
    }
}

static void window_is_read_up_and_down(void **state)
{
    (void)state;
    fill(3);
    for (int step = -1; step <= 1; step += 2) {
        const double *from = step > 0 ? weights : weights + KERNELS_BLOCK - 1;
        kernels_window(values, from, step, 0.25, got);
        for (int n = 0; n < KERNELS_BLOCK; n++)
            assert_true(got[n] == (values[n] - 0.25) * from[step * n]);
    }
}

static void demodulation_equals_the_plain_loop(void **state)
{
    struct kernels_sums sums;
    double re = 0, im = 0, timed_re = 0, timed_im = 0;
    const double *turns = values + KERNELS_BLOCK;
    (void)state;
    fill(4);
    for (int j = 0; j < KERNELS_BLOCK; j++) {
        re += values[j] * weights[j];
        im += values[j] * turns[j];
        timed_re += (j - 255.5) * values[j] * weights[j];
        timed_im += (j - 255.5) * values[j] * turns[j];
    }
    kernels_demodulate(values, weights, turns, &sums);
    assert_close(sums.re, re, 1e-11);
    assert_close(sums.im, im, 1e-11);
    assert_close(sums.timed_re, timed_re, 1e-9);
    assert_close(sums.timed_im, timed_im, 1e-9);
}

static void powers_go_up_and_down_and_into_sums(void **state)
{
    static double sum[MOST], squares[MOST];
    (void)state;
    fill(5);
    for (int step = -1; step <= 1; step += 2)
        for (int count = 1; count < 20; count++) {
            const int first = 50;
            struct kernels_powers to = {0.5, got, sum, squares, MOST};
            memcpy(sum, weights, sizeof sum);
            memset(squares, 0, sizeof squares);
            kernels_powers(values, count, first, step, &to);
            for (int j = 0; j < count; j++) {
                double re = values[2 * j], im = values[2 * j + 1];
                double power = 0.5 * (re * re + im * im);
                int bin = first + step * j;
                assert_true(got[bin] == power && sum[bin] == weights[bin] + power &&
                            squares[bin] == power * power);
            }
            assert_true(sum[first + step * count] == weights[first + step * count] &&
                        sum[first - step] == weights[first - step]);
        }
}

static void turning_is_a_product_of_complex_numbers(void **state)
{
    enum { COUNT = 64 };
    const double complex first = 0.6 - 0.8 * I;
    double table[4 * COUNT];
    (void)state;
    fill(6);
    for (int k = 0; k < COUNT; k++) {
        table[4 * k] = table[4 * k + 1] = weights[2 * k];
        table[4 * k + 2] = -weights[2 * k + 1];
        table[4 * k + 3] = weights[2 * k + 1];
    }
    memcpy(got, values, sizeof got);
    kernels_turn(got, table, creal(first), cimag(first), COUNT);
    for (int k = 0; k < COUNT; k++) {
        double complex turned = (values[2 * k] + I * values[2 * k + 1]) * first *
                                (weights[2 * k] + I * weights[2 * k + 1]);
        assert_close(got[2 * k], creal(turned), 1e-14 * 20);
        assert_close(got[2 * k + 1], cimag(turned), 1e-14 * 20);
    }
    assert_true(got[2 * COUNT] == values[2 * COUNT]);
}

static void smallest_step_is_found(void **state)
{
    const double none[] = {0.5, 0.5, 0.5, 0.5, 0.5, 0.5};
    (void)state;
    fill(7);
    double smallest = INFINITY;
    for (int n = 1; n < MOST; n++)
        smallest = fmin(smallest, fabs(values[n] - values[n - 1]));
    assert_true(kernels_smallest_step(values, MOST, 0) == smallest);
    for (int n = 40; n < MOST; n++)
        values[n] = values[39];
    values[MOST - 1] += 0x1p-20; /* of ±4, exactly */
    assert_true(kernels_smallest_step(values, MOST, 0x1p-21) == 0x1p-20);
    assert_true(kernels_smallest_step(values, MOST, 10) <= 10);
    assert_true(isinf(kernels_smallest_step(none, 6, 0)));
}

static void rows_are_dealt(void **state)
{
    (void)state;
    fill(8);
    for (int rows = 2; rows <= 64; rows *= 2) {
        int count = KERNELS_BLOCK / rows, stride = count + 3;
        kernels_deal(values, rows, count, stride, got);
        for (int n = 0; n < rows * count; n++)
            assert_true(got[n % rows * stride + n / rows] == values[n]);
        kernels_gather(values + 1, rows, count, got);
        for (int n = 0; n < count; n++)
            assert_true(got[n] == values[1 + n * rows]);
    }
}

static void folding_finds_the_phase(void **state)
{
    enum { COUNT = 1000 };
    static double sums[KERNELS_PHASES][4], wanted[KERNELS_PHASES][4];
    static int counts[KERNELS_PHASES];
    const double start = 0.3, cycles = 0.0317;
    (void)state;
    fill(9);
    kernels_fold(values, COUNT, start, cycles, sums, counts);
    for (int n = 0; n < COUNT; n++) {
        double place = fmod(start + cycles * n, 1) * KERNELS_PHASES;
        int i = (int)place;
        double away = place - i - 0.5;
        double more[] = {values[n], values[n] * values[n], away, away * away};
        for (int k = 0; k < 4; k++)
            wanted[i][k] += more[k];
        counts[i]--;
    }
    for (int i = 0; i < KERNELS_PHASES; i++) {
        assert_int_equal(counts[i], 0);
        for (int k = 0; k < 4; k++)
            assert_close(sums[i][k], wanted[i][k], 1e-9);
    }
}

/* Every size of a sample, up to three channels, at any end of the bytes. */
static void pcm_is_exact(void **state)
{
    struct support_random random = support_random_seed(10);
    (void)state;
    for (int size = 2; size <= 4; size++)
        for (int stride = 1; stride <= 3; stride++)
            for (int count = 0; count < 40; count++) {
                size_t length = (size_t)(count * stride * size);
                uint8_t *bytes = malloc(length + 1); /* a reading beyond is seen */
                for (size_t i = 0; i < length; i++)
                    bytes[i] = (uint8_t)(support_uniform(&random) * 256);
                kernels_from_pcm(bytes, size, stride, count, got);
                for (int n = 0; n < count; n++) {
                    const uint8_t *at = bytes + n * stride * size;
                    int64_t value = 0;
                    for (int i = 0; i < size; i++)
                        value |= (int64_t)at[i] << 8 * i;
                    if (at[size - 1] & 0x80)
                        value -= (int64_t)1 << 8 * size;
                    want[n] = ldexp((double)value, 1 - 8 * size);
                    assert_true(got[n] == want[n]);
                }
                free(bytes);
            }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sums_have_the_promised_bits),
        cmocka_unit_test(levels_equal_the_plain_loop),
        cmocka_unit_test(window_is_read_up_and_down),
        cmocka_unit_test(demodulation_equals_the_plain_loop),
        cmocka_unit_test(powers_go_up_and_down_and_into_sums),
        cmocka_unit_test(turning_is_a_product_of_complex_numbers),
        cmocka_unit_test(smallest_step_is_found),
        cmocka_unit_test(rows_are_dealt),
        cmocka_unit_test(folding_finds_the_phase),
        cmocka_unit_test(pcm_is_exact),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
