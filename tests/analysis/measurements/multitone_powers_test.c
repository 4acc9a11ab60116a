#include "analysis/measurements/multitone_powers.h"

#include <math.h>

#include "tests/support/support.h"

/* Σ w(n)·w(n + N/4) / Σ w² of the window itself. */
static double quarter_correlation(void)
{
    enum { LENGTH = 4096 };
    struct window window;
    struct problem problem = {0};
    double sum = 0;
    assert_true(window_new(WINDOW_BLACKMAN_HARRIS_7, LENGTH, &window, &problem));
    for (int n = 0; n + LENGTH / 4 < LENGTH; n++)
        sum += window.values[n] * window.values[n + LENGTH / 4];
    double correlation = sum / window.sum_squares;
    window_free(&window);
    return correlation;
}

/* The variance of a mean of K values, of which neighbours correlate by r, is that of
 * independent ones times 1 + 2·r·(K − 1)/K. */
static void overlap_by_three_quarters_widens(void **state)
{
    struct segment_plan plan = {.length = 1 << 17, .hop = 1 << 15};
    (void)state;
    for (plan.count = 1; plan.count < 20; plan.count += 3)
        assert_close(multitone_powers_widening(&plan),
                     sqrt(1 + 2 * quarter_correlation() * (double)(plan.count - 1) /
                                  (double)plan.count),
                     1e-4);
    plan.hop = 1 << 16;
    assert_close(multitone_powers_widening(&plan), 1, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(overlap_by_three_quarters_widens),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
