/* The oracle of each is the plain loop it stands for, at every length and offset that
 * vectors make special. */
#include "analysis/dsp/scan.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

enum { MOST = 70 };

static double values[MOST], others[MOST];

static void fill(uint64_t seed, double scale)
{
    struct support_random random = support_random_seed(seed);
    for (int n = 0; n < MOST; n++) {
        values[n] = nearbyint(scale * support_gaussian(&random));
        others[n] = nearbyint(scale * support_gaussian(&random));
    }
}

static void levels_equal_the_plain_loop(void **state)
{
    (void)state;
    fill(1, 3); /* whole numbers: sums are exact in any order */
    for (int count = 1; count < MOST; count++) {
        struct scan_levels got, want = {.minimum = INFINITY, .maximum = -INFINITY};
        for (int n = 0; n < count; n++) {
            want.sum += values[n];
            want.sum_squares += values[n] * values[n];
            want.minimum = fmin(want.minimum, values[n]);
            want.maximum = fmax(want.maximum, values[n]);
            want.at_top += values[n] >= 4;
            want.at_bottom += values[n] <= -3;
        }
        scan_levels(values, count, 4, -3, &got);
        assert_true(got.sum == want.sum && got.sum_squares == want.sum_squares);
        assert_true(got.minimum == want.minimum && got.maximum == want.maximum);
        assert_int_equal(got.at_top, want.at_top);
        assert_int_equal(got.at_bottom, want.at_bottom);
        assert_int_equal(scan_count(values, count, 4), want.at_top);
    }
}

static void changes_are_the_bits_of_integers(void **state)
{
    (void)state;
    /* −8 = …11000 and 24 = …011000 against 8 = …01000: two's complement by hand. */
    const double some[] = {8, 24, 8, 8, 8, 8, -8};
    assert_int_equal(scan_changes(some, 6, 1, 8), 16);
    assert_int_equal(scan_changes(some, 1, 1, 8), 0);
    assert_int_equal(scan_changes(some, 7, 1, 8) & 0xFF, 0xF0);
    fill(2, 5e8);
    for (int count = 1; count < MOST; count++) {
        uint64_t want = 0;
        for (int n = 0; n < count; n++)
            want |= (uint64_t)(int64_t)values[n] ^ (uint64_t)(int64_t)values[0];
        uint64_t got = scan_changes(values, count, 1, values[0]);
        assert_int_equal(got & 0xFFFFFFFF, want & 0xFFFFFFFF);
    }
}

static void a_fraction_is_found_wherever_it_is(void **state)
{
    (void)state;
    for (int count = 1; count < MOST; count++) {
        fill(3, 1e6);
        values[0] = 0x1p52; /* large ones have none */
        assert_true(scan_integers(values, count));
        for (int at = 0; at < count; at++) {
            double was = values[at];
            values[at] = -0.5;
            assert_false(scan_integers(values, count));
            values[at] = was;
        }
    }
}

static void largest_sum_equals_the_plain_loop(void **state)
{
    (void)state;
    fill(4, 100);
    for (int count = 1; count < MOST; count++) {
        double want = 0;
        for (int n = 0; n < count; n++)
            want = fmax(want, fabs(values[n] + others[n]));
        assert_true(scan_largest_sum(values, others, count) == want);
    }
}

/* Vertex of the parabola through (−1, a), (0, b), (1, c), by Lagrange's formula. */
static double vertex(double a, double b, double c)
{
    double p = (a + c) / 2 - b, q = (c - a) / 2;
    return fabs(b - q * q / (4 * p));
}

static void turns_are_those_of_parabolas(void **state)
{
    (void)state;
    fill(5, 10);
    for (int from = 0; from < 8; from++)
        for (double least = 1; least < 25; least += 0.77) {
            int want = -1;
            for (int n = from < 1 ? 1 : from; want < 0 && n + 1 < MOST; n++) {
                double a = values[n - 1], b = values[n], c = values[n + 1];
                bool peak = b < 0 ? 2 * b < a + c : 2 * b > a + c;
                bool near = fabs(c - a) <= 2 * fabs(2 * b - a - c);
                if (peak && near && vertex(a, b, c) > least)
                    want = n;
            }
            assert_int_equal(scan_turn(values, from, MOST, least), want);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(levels_equal_the_plain_loop),
        cmocka_unit_test(changes_are_the_bits_of_integers),
        cmocka_unit_test(a_fraction_is_found_wherever_it_is),
        cmocka_unit_test(largest_sum_equals_the_plain_loop),
        cmocka_unit_test(turns_are_those_of_parabolas),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
