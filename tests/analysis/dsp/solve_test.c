#include "analysis/dsp/solve.h"

#include "tests/support/support.h"

/* Hilbert's matrix of order 3, whose inverse is known in whole numbers; above the
 * diagonal stands nothing that counts. */
static void the_lower_half_alone_is_solved(void **state)
{
    (void)state;
    double matrix[3][4] = {
        {1, 99, 99, 99}, {1.0 / 2, 1.0 / 3, 99, 99}, {1.0 / 3, 1.0 / 4, 1.0 / 5, 99}};
    double values[3] = {1, 0, 0};
    assert_true(solve_symmetric(3, 4, matrix[0], values));
    assert_close(values[0], 9, 1e-12);
    assert_close(values[1], -36, 1e-12);
    assert_close(values[2], 30, 1e-12);
}

static void what_is_not_positive_definite_is_refused(void **state)
{
    (void)state;
    double indefinite[2][2] = {{1, 2}, {2, 1}}, none[1][1] = {{0}}, values[2] = {1, 1};
    assert_false(solve_symmetric(2, 2, indefinite[0], values));
    assert_false(solve_symmetric(1, 1, none[0], values));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_lower_half_alone_is_solved),
        cmocka_unit_test(what_is_not_positive_definite_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
