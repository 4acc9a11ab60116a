/* Expected values: counted by hand. */
#include "tests/support/support.h"

#include "analysis/dsp/bins.h"

static void assert_bins(struct bins got, int first, int last)
{
    assert_int_equal(got.first, first);
    assert_int_equal(got.last, last);
}

static void width_of_empty_is_zero(void **state)
{
    (void)state;
    assert_int_equal(bins_width((struct bins){3, 5}), 3);
    assert_int_equal(bins_width((struct bins){3, 2}), 0);
    assert_int_equal(bins_width(bins_within((struct bins){1, 4}, (struct bins){6, 9})),
                     0);
}

static void lobe_is_seven_bins_on_each_side(void **state)
{
    (void)state;
    assert_bins(bins_lobe(100.4), 93, 107);
    assert_bins(bins_around(10, 2.1), 7, 13);
}

static void band_takes_the_bins_inside(void **state)
{
    (void)state;
    assert_bins(bins_of_band(20, 20000, 0.5, 131072), 40, 40000);
    assert_bins(bins_of_band(20.1, 20000, 0.5, 131072), 41, 40000);
    assert_bins(bins_of_band(0, 1e6, 0.5, 1024), 1, 512);
}

static void merge_joins_what_meets_or_touches(void **state)
{
    (void)state;
    struct bins intervals[] = {{20, 30}, {1, 5}, {6, 8}, {25, 27}, {40, 41}, {29, 33}};
    assert_int_equal(bins_merge(intervals, 6), 3);
    assert_bins(intervals[0], 1, 8);
    assert_bins(intervals[1], 20, 33);
    assert_bins(intervals[2], 40, 41);
    assert_int_equal(bins_merge(intervals, 0), 0);
}

static void meeting_needs_a_common_bin(void **state)
{
    (void)state;
    assert_true(bins_meet((struct bins){1, 5}, (struct bins){5, 9}));
    assert_false(bins_meet((struct bins){1, 5}, (struct bins){6, 9}));
}

static void frequencies_fold_at_half_the_rate(void **state)
{
    (void)state;
    assert_close(bins_folded(30.25, 128), 30.25, 0);
    assert_close(bins_folded(-30.25, 128), 30.25, 0);
    assert_close(bins_folded(65, 128), 63, 0);
    assert_close(bins_folded(129, 128), 1, 0);
    assert_close(bins_folded(128 + 70, 128), 58, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(width_of_empty_is_zero),
        cmocka_unit_test(lobe_is_seven_bins_on_each_side),
        cmocka_unit_test(band_takes_the_bins_inside),
        cmocka_unit_test(merge_joins_what_meets_or_touches),
        cmocka_unit_test(meeting_needs_a_common_bin),
        cmocka_unit_test(frequencies_fold_at_half_the_rate),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
