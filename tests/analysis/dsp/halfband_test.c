#include "analysis/dsp/halfband.h"

#include <math.h>
#include <string.h>

#include "tests/support/support.h"

enum { BLOCK = 512, BLOCKS = 12 };

/* Amplitude of x at `cycles`, over whole blocks under a Hann window. */
static double amplitude(const double *x, int count, double cycles)
{
    double re = 0, im = 0, sum = 0;
    for (int n = 0; n < count; n++) {
        double window = 0.5 - 0.5 * cos(2 * M_PI * n / count);
        re += window * x[n] * cos(2 * M_PI * cycles * n);
        im += window * x[n] * sin(2 * M_PI * cycles * n);
        sum += window;
    }
    return 2 * hypot(re, im) / sum;
}

static void halved(double cycles, double *ret)
{
    struct halfband halfband = halfband_halving();
    for (int block = 0; block < BLOCKS; block++) {
        double x[BLOCK];
        for (int n = 0; n < BLOCK; n++)
            x[n] = sin(2 * M_PI * cycles * (block * BLOCK + n));
        halfband_halve(&halfband, x, BLOCK, ret + block * BLOCK / 2);
    }
}

/* What the header says of the pass band and of what comes out mirrored: by definition of
 * a half-band filter the one is as far from 1 as the other from 0. */
static void halving_keeps_the_low_and_drops_the_high(void **state)
{
    static double y[BLOCK * BLOCKS / 2];
    const int from = 256, count = BLOCK * BLOCKS / 2 - from;
    (void)state;
    for (double cycles = 0.01; cycles <= 0.18; cycles += 0.0101) {
        halved(cycles, y);
        assert_close(20 * log10(amplitude(y + from, count, 2 * cycles)), 0, 0.01);
        halved(0.5 - cycles, y);
        assert_between(20 * log10(amplitude(y + from, count, 2 * cycles)), -400, -69);
    }
}

static void doubling_keeps_the_low_and_makes_no_images(void **state)
{
    static double y[2 * BLOCK * BLOCKS];
    const int from = 512, count = 2 * BLOCK * BLOCKS - from;
    (void)state;
    for (double cycles = 0.01; cycles <= 0.45; cycles += 0.0297) {
        struct halfband halfband = halfband_doubling();
        for (int block = 0; block < BLOCKS; block++) {
            double x[BLOCK];
            for (int n = 0; n < BLOCK; n++)
                x[n] = sin(2 * M_PI * cycles * (block * BLOCK + n));
            halfband_double(&halfband, x, BLOCK, y + 2 * block * BLOCK);
        }
        assert_close(20 * log10(amplitude(y + from, count, cycles / 2)), 0, 0.01);
        assert_between(20 * log10(amplitude(y + from, count, 0.5 - cycles / 2)), -400,
                       -69);
    }
}

/* The same samples in blocks of another size give the same bits. */
static void the_size_of_a_block_makes_no_difference(void **state)
{
    struct halfband one = halfband_halving(), other = halfband_halving();
    struct support_random random = support_random_seed(3);
    double x[BLOCK], at_once[BLOCK / 2], in_parts[BLOCK / 2];
    (void)state;
    for (int n = 0; n < BLOCK; n++)
        x[n] = support_gaussian(&random);
    halfband_halve(&one, x, BLOCK, at_once);
    for (int first = 0, size = 2; first < BLOCK; first += size, size += 4) {
        size = size < BLOCK - first ? size : BLOCK - first;
        halfband_halve(&other, x + first, size, in_parts + first / 2);
    }
    assert_memory_equal(at_once, in_parts, sizeof at_once);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(halving_keeps_the_low_and_drops_the_high),
        cmocka_unit_test(doubling_keeps_the_low_and_makes_no_images),
        cmocka_unit_test(the_size_of_a_block_makes_no_difference),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
