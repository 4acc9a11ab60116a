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

/* ITU-R BS.468-4, table of the curve (from memory); the analytic curve keeps within
 * 0.06 dB, little more than the table's rounding and far inside its tolerances. */
static void the_468_curve_equals_the_table(void **state)
{
    static const double rows[][2] = {
        {31.5, -29.9}, {63, -23.9},  {100, -19.8},  {200, -13.8},   {400, -7.8},
        {800, -1.9},   {1000, 0},    {2000, 5.6},   {3150, 9.0},    {4000, 10.5},
        {5000, 11.7},  {6300, 12.2}, {7100, 12.0},  {8000, 11.4},   {9000, 10.1},
        {10000, 8.1},  {12500, 0},   {14000, -5.3}, {16000, -11.7}, {20000, -22.2},
        {31500, -42.7}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_close(10 * log10(weighting_468_power(rows[i][0])), rows[i][1], 0.0601);
}

/* The usual rational form of the same network (from memory): two polynomials. */
static void the_468_curve_equals_its_rational_form(void **state)
{
    (void)state;
    double at_1k = 0;
    for (double hz = 1000; hz < 90000; hz *= 1.05) {
        double f2 = hz * hz;
        double even = -4.737338981378384e-24 * f2 * f2 * f2 +
                      2.043828333606125e-15 * f2 * f2 - 1.363894795463638e-7 * f2 + 1;
        double odd = (1.306612257412824e-19 * f2 * f2 - 2.118150887518656e-11 * f2 +
                      5.559488023498642e-4) *
                     hz;
        double power = f2 / (even * even + odd * odd);
        at_1k = at_1k > 0 ? at_1k : power;
        assert_close(weighting_468_power(hz) / (power / at_1k), 1, 1e-9);
    }
}

/* White noise from 20 Hz to 20 kHz reads 7.30 dB more with 0 dB at 1 kHz, 1.67 dB more
 * with 0 dB at 2 kHz (computed with SciPy from the rational form). */
static void the_468_curve_of_white_noise(void **state)
{
    double sum = 0, sum_rms = 0;
    (void)state;
    for (double hz = 20.5; hz < 20000; hz += 1) {
        sum += weighting_468_power(hz);
        sum_rms += weighting_468_rms_power(hz);
    }
    assert_close(10 * log10(sum / 19980), 7.30, 0.005);
    assert_close(10 * log10(sum_rms / 19980), 1.67, 0.005);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_weighting_equals_the_table),
        cmocka_unit_test(a_weighting_of_white_noise),
        cmocka_unit_test(the_468_curve_equals_the_table),
        cmocka_unit_test(the_468_curve_equals_its_rational_form),
        cmocka_unit_test(the_468_curve_of_white_noise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
