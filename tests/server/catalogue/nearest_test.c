/* Distances: counted by hand. */
#include "server/catalogue/nearest.h"

#include <string.h>

#include "tests/support/support.h"

static const struct distance_case {
    const char *name, *a, *b;
    int want;
} cases[] = {
    {"the same", "harmonics", "harmonics", 0},
    {"both empty", "", "", 0},
    {"one empty", "", "notch", 5},
    {"one missing", "harmonic", "harmonics", 1},
    {"one more", "start_ss", "start_s", 1},
    {"one replaced", "frequenzy_hz", "frequency_hz", 1},
    {"two swapped", "chanenls", "channels", 1},
    {"three edits", "kitten", "sitting", 3},
    {"nothing alike", "abc", "xyz", 3},
};

static void distance(void **state)
{
    const struct distance_case *row = *state;
    assert_int_equal(nearest_distance(row->a, row->b), row->want);
    assert_int_equal(nearest_distance(row->b, row->a), row->want);
}

static void texts_too_long_are_near_to_nothing(void **state)
{
    (void)state;
    char longest[NEAREST_MAX_BYTES + 2];
    memset(longest, 'a', sizeof longest);
    longest[NEAREST_MAX_BYTES] = '\0';
    assert_int_equal(nearest_distance(longest, longest), 0);
    longest[NEAREST_MAX_BYTES] = 'a';
    longest[NEAREST_MAX_BYTES + 1] = '\0';
    assert_int_equal(nearest_distance(longest, longest), NEAREST_MAX_BYTES + 1);
}

/* "harmonics" has 9 letters: within 1 + 9/4 = 3 edits. "notch" has 5: within 2. */
static void the_nearest_within_reach_is_named(void **state)
{
    (void)state;
    static const char *const names[] = {"notch", "harmonics", "start_s", "band_hz"};
    assert_string_equal(nearest_name("harmonic", names, 4), "harmonics");
    assert_string_equal(nearest_name("harmon", names, 4), "harmonics");
    assert_null(nearest_name("harmo", names, 4));
    assert_string_equal(nearest_name("nothc", names, 4), "notch");
    assert_string_equal(nearest_name("not", names, 4), "notch");
    assert_null(nearest_name("no", names, 4));
    assert_null(nearest_name("harmonics", names, 1));
    assert_null(nearest_name("x", names, 0));
}

int main(void)
{
    enum { PLAIN = 2, CASES = sizeof cases / sizeof cases[0] };
    struct CMUnitTest tests[PLAIN + CASES] = {
        cmocka_unit_test(texts_too_long_are_near_to_nothing),
        cmocka_unit_test(the_nearest_within_reach_is_named),
    };
    for (size_t i = 0; i < CASES; i++)
        tests[PLAIN + i] =
            (struct CMUnitTest){cases[i].name, distance, NULL, NULL, (void *)&cases[i]};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
