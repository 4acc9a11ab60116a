#include "analysis/dsp/statistics.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

/* SciPy 1.10: scipy.stats.t.ppf(0.975, df); the first three decimals stand in every
 * handbook's table of Student's t. */
static void student_quantile_equals_the_tables(void **state)
{
    static const struct {
        double degrees, quantile;
    } rows[] = {{1, 12.706204736432095},   {2, 4.302652729911275},
                {3, 3.182446305284263},    {10, 2.2281388519649385},
                {30, 2.0422724563012373},  {120, 1.9799304050527766},
                {5000, 1.9604385517065075}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_close(statistics_student_975(rows[i].degrees) / rows[i].quantile, 1, 1e-9);
}

/* Closed form: for one average the tail is e^−x, so the factor is ln(1000·bins). For
 * more: 8.2, 5.9 and 2.2 dB for 4, 10 and 100 averages of about 1e5 bins, and SciPy 1.10
 * scipy.stats.gamma.isf(1e-3/bins, K)/K. */
static void line_threshold_equals_the_gamma_tail(void **state)
{
    (void)state;
    assert_close(statistics_line_threshold(1, 27000), log(27e6), 1e-9);
    assert_close(10 * log10(statistics_line_threshold(4, 1e5)), 8.2, 0.05);
    assert_close(10 * log10(statistics_line_threshold(10, 1e5)), 5.9, 0.05);
    assert_close(10 * log10(statistics_line_threshold(100, 1e5)), 2.2, 0.05);
    assert_close(statistics_line_threshold(13, 27235), 3.2635953628446517, 1e-9);
    assert_close(statistics_line_threshold(5000, 1000), 1.0686689829866898, 1e-9);
}

/* Closed form: powers of K averaged spectra have mean 1 whatever K is; one in seven of
 * them is a line a thousand times stronger. */
static void density_is_the_mean_without_the_lines(void **state)
{
    struct support_random random = support_random_seed(15);
    (void)state;
    for (int averages = 1; averages <= 64; averages *= 2) {
        double sum = 0, shape = 0;
        for (int trial = 0; trial < 400; trial++) {
            double powers[96];
            for (int i = 0; i < 96; i++) {
                powers[i] = 0;
                for (int k = 0; k < averages; k++)
                    powers[i] -= log(1 - support_uniform(&random)) / averages;
            }
            struct density density = statistics_density(powers, 96);
            sum += density.mean / 400;
            shape += 1 / density.averages / 400;
        }
        assert_close(sum, 1, averages > 1 ? 0.02 : 0.04);
        assert_close(1 / shape / averages, 1, 0.3);
    }
    double powers[98];
    for (int i = 0; i < 98; i++)
        powers[i] = i % 7 ? 1 + 0.01 * (i % 3) : 1000;
    assert_close(statistics_density(powers, 98).mean, 1.01, 0.011);
}

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return (left > right) - (left < right);
}

/* Naive oracle: sort and take the middle. */
static void median_equals_the_sorted_middle(void **state)
{
    struct support_random random = support_random_seed(13);
    (void)state;
    for (int count = 1; count < 200; count++) {
        double values[200], sorted[200];
        for (int i = 0; i < count; i++)
            values[i] = sorted[i] = floor(20 * support_uniform(&random));
        qsort(sorted, (size_t)count, sizeof *sorted, ascending);
        double want = (sorted[(count - 1) / 2] + sorted[count / 2]) / 2;
        assert_close(statistics_median(values, count), want, 0);
    }
}

/* Naive oracle: two passes. A scatter of 1e-9 about 1 keeps its digits. */
static void moments_keep_a_tiny_scatter(void **state)
{
    struct support_random random = support_random_seed(14);
    double x[50], y[50], mean = 0, squares = 0;
    struct moments moments = {0};
    (void)state;
    for (int i = 0; i < 50; i++) {
        x[i] = 1 + 1e-9 * support_gaussian(&random);
        y[i] = 2 + 1e-9 * support_gaussian(&random);
        moments_add(&moments, x[i], y[i]);
        mean += (x[i] - 0.5 * y[i]) / 50;
    }
    for (int i = 0; i < 50; i++)
        squares += pow(x[i] - 0.5 * y[i] - mean, 2);
    double want = statistics_student_975(49) * sqrt(squares / 49 / 50);
    assert_close(moments_u95_of_difference(&moments, 0.5) / want, 1, 1e-4);
}

static void two_values_have_no_half_width(void **state)
{
    struct moments moments = {0};
    (void)state;
    moments_add(&moments, 1, 1);
    moments_add(&moments, 2, 1);
    assert_true(isnan(moments_u95(&moments)));
}

/* A sine of whole periods on any mean: its peak over √2 (closed form). */
static void rms_is_taken_about_the_mean(void **state)
{
    double samples[1000], one = 7;
    (void)state;
    for (int n = 0; n < 1000; n++)
        samples[n] = 3 + 0.5 * sin(2 * M_PI * n / 100);
    assert_close(statistics_rms(samples, 1000), 0.5 * M_SQRT1_2, 1e-12);
    assert_close(statistics_rms(&one, 1), 0, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(student_quantile_equals_the_tables),
        cmocka_unit_test(line_threshold_equals_the_gamma_tail),
        cmocka_unit_test(density_is_the_mean_without_the_lines),
        cmocka_unit_test(median_equals_the_sorted_middle),
        cmocka_unit_test(moments_keep_a_tiny_scatter),
        cmocka_unit_test(two_values_have_no_half_width),
        cmocka_unit_test(rms_is_taken_about_the_mean),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
