/* Expected values: multiples of 50 and 60 Hz, ±0.4 % as the header of mains.c has it. */
#include "analysis/measurements/mains.h"

#include "tests/support/support.h"

static void multiples_of_both_grids_are_mains(void **state)
{
    (void)state;
    static const struct {
        double hz;
        bool mains;
    } cases[] = {{50, true},    {50.9, true}, {51.1, false}, {60, true},   {100, true},
                 {180.5, true}, {500, true},  {501.9, true}, {503, false}, {600, true},
                 {660, false},  {997, false}, {25, false},   {0, false},   {59.1, true}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        if (mains_is(cases[i].hz) != cases[i].mains)
            fail_msg("%g Hz", cases[i].hz);
}

static void lobe_widens_with_the_grid(void **state)
{
    (void)state;
    struct bins first = mains_lobe(MAINS_50, 1, 0.5),
                tenth = mains_lobe(MAINS_60, 10, 0.5);
    assert_int_equal(first.first, 100 - 7 - 1);
    assert_int_equal(first.last, 100 + 7 + 1);
    assert_int_equal(tenth.first, 1200 - 7 - 5);
    assert_int_equal(tenth.last, 1200 + 7 + 5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(multiples_of_both_grids_are_mains),
        cmocka_unit_test(lobe_widens_with_the_grid),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
