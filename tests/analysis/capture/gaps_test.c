#include "analysis/capture/gaps.h"

#include <string.h>

#include "tests/support/support.h"

static struct gaps gaps;

static void assert_gaps(const int64_t (*want)[2], int count)
{
    assert_int_equal(gaps.count, count);
    for (int i = 0; i < count; i++) {
        assert_int_equal(gaps.at[i].first_frame, want[i][0]);
        assert_int_equal(gaps.at[i].frames, want[i][1]);
    }
}

static void gaps_keep_their_order(void **state)
{
    (void)state;
    gaps.count = 0;
    gaps_add(&gaps, 100, 10);
    gaps_add(&gaps, 300, 10);
    gaps_add(&gaps, 0, 10);
    gaps_add(&gaps, 200, 10);
    gaps_add(&gaps, 300, 10); /* met again */
    gaps_add(&gaps, 303, 3);
    assert_gaps((const int64_t[][2]){{0, 10}, {100, 10}, {200, 10}, {300, 10}}, 4);
}

static void what_touches_becomes_one(void **state)
{
    (void)state;
    gaps.count = 0;
    gaps_add(&gaps, 100, 10);
    gaps_add(&gaps, 110, 10);
    gaps_add(&gaps, 90, 10);
    assert_gaps((const int64_t[][2]){{90, 30}}, 1);
    gaps_add(&gaps, 200, 10);
    gaps_add(&gaps, 300, 10);
    gaps_add(&gaps, 150, 155); /* over one, into another */
    assert_gaps((const int64_t[][2]){{90, 30}, {150, 160}}, 2);
}

/* Against a map of single frames, the naive way. */
static void random_gaps_are_those_of_a_map(void **state)
{
    (void)state;
    enum { LENGTH = 2000 };
    for (uint64_t seed = 1; seed <= 50; seed++) {
        struct support_random random = support_random_seed(seed);
        char lost[LENGTH + 1] = {0}, told[LENGTH + 1] = {0};
        gaps.count = 0;
        for (int k = 0; k < 60; k++) {
            int first = (int)(support_uniform(&random) * (LENGTH - 50));
            int frames = 1 + (int)(support_uniform(&random) * 49);
            memset(lost + first, 1, (size_t)frames);
            gaps_add(&gaps, first, frames);
        }
        for (int i = 0; i < gaps.count; i++) {
            const struct capture_gap *gap = &gaps.at[i];
            assert_true(i == 0 ||
                        gap[-1].first_frame + gap[-1].frames < gap->first_frame);
            memset(told + gap->first_frame, 1, (size_t)gap->frames);
        }
        if (memcmp(lost, told, sizeof lost) != 0)
            fail_msg("seed %d", (int)seed);
    }
}

/* What is told covers all that was lost; nothing before the last one grows. */
static void more_than_fit_are_told_as_one_at_the_end(void **state)
{
    (void)state;
    for (int from_behind = 0; from_behind < 2; from_behind++) {
        gaps.count = 0;
        for (int i = 0; i < 2 * GAPS_MOST; i++)
            gaps_add(&gaps, 10 * (from_behind ? 2 * GAPS_MOST - 1 - i : i), 1);
        assert_int_equal(gaps.count, GAPS_MOST);
        for (int i = 0; i < GAPS_MOST - 1; i++) {
            assert_int_equal(gaps.at[i].first_frame, 10 * i);
            assert_int_equal(gaps.at[i].frames, 1);
        }
        const struct capture_gap *last = &gaps.at[GAPS_MOST - 1];
        assert_int_equal(last->first_frame, 10 * (GAPS_MOST - 1));
        assert_int_equal(last->first_frame + last->frames, 10 * (2 * GAPS_MOST - 1) + 1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(gaps_keep_their_order),
        cmocka_unit_test(what_touches_becomes_one),
        cmocka_unit_test(random_gaps_are_those_of_a_map),
        cmocka_unit_test(more_than_fit_are_told_as_one_at_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
