#include "analysis/dsp/weighting.h"

#include <math.h>

#include "tests/support/support.h"

/* IEC 61672-1, table of nominal A-weighting (0.1 dB), at the exact frequencies
 * 1000·10^(n/10). The values stand in every textbook; the standard itself was not at
 * hand. */
static void a_weighting_equals_the_table(void **state)
{
    static const struct {
        int n;
        double db;
    } rows[] = {{-17, -50.5}, {-15, -39.4}, {-12, -26.2}, {-9, -16.1}, {-6, -8.6},
                {-3, -3.2},   {0, 0.0},     {3, 1.2},     {6, 1.0},    {9, -1.1},
                {10, -2.5},   {11, -4.3},   {12, -6.6},   {13, -9.3}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double hz = 1000 * pow(10, rows[i].n / 10.0);
        assert_close(10 * log10(weighting_a_power(hz)), rows[i].db, 0.0501);
    }
}

/* White noise from 20 Hz to 20 kHz reads 2.05 dB less A-weighted (computed from the curve
 * by numerical integration). */
static void a_weighting_of_white_noise(void **state)
{
    double sum = 0;
    (void)state;
    for (double hz = 20.5; hz < 20000; hz += 1)
        sum += weighting_a_power(hz);
    assert_close(10 * log10(sum / 19980), -2.05, 0.005);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_weighting_equals_the_table),
        cmocka_unit_test(a_weighting_of_white_noise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
