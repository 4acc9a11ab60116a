#include "analysis/core/decibel.h"

#include "tests/support/support.h"

/* AES17, IEC 61606: a sine of peak 1.0 (mean square 1/2) reads 0 dBFS, a full-scale
 * square (mean square 1) 10·log10(2) = 3.0103 dBFS. */
static void full_scale_is_that_of_a_sine(void **state)
{
    (void)state;
    assert_close(dbfs_from_mean_square(0.5), 0, 1e-15);
    assert_close(dbfs_from_mean_square(1), 3.010299956639812, 1e-12);
    assert_close(dbfs_to_mean_square(0), 0.5, 0);
}

/* Closed form: 10·log10 of a power, 20·log10 of an amplitude. */
static void decibels_go_both_ways(void **state)
{
    (void)state;
    assert_close(decibel_from_power(1e-6), -60, 1e-12);
    assert_close(decibel_to_power(-60), 1e-6, 1e-18);
    assert_close(decibel_to_amplitude(-60), 1e-3, 1e-15);
    for (double db = -300; db <= 20; db += 7.3)
        assert_close(dbfs_from_mean_square(dbfs_to_mean_square(db)), db, 1e-10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(full_scale_is_that_of_a_sine),
        cmocka_unit_test(decibels_go_both_ways),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
