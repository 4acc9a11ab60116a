#include "analysis/core/problem.h"

#include <string.h>

#include "tests/support/support.h"

static void first_problem_wins(void **state)
{
    (void)state;
    struct problem problem = {0};
    assert_false(
        problem_set(&problem, PROBLEM_OUT_OF_RANGE, "channels", "%d channels", 17));
    assert_false(problem_set(&problem, PROBLEM_IO, NULL, "later"));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "channels");
    assert_string_equal(problem.detail, "17 channels");
}

static void no_field_is_empty(void **state)
{
    (void)state;
    struct problem problem = {.field = "left over"};
    assert_false(problem_set(&problem, PROBLEM_NOT_AUDIO, NULL, "no"));
    assert_string_equal(problem.field, "");
}

static void long_texts_are_cut(void **state)
{
    (void)state;
    char name[1000];
    memset(name, 'x', sizeof name);
    name[sizeof name - 1] = 0;
    struct problem problem = {0};
    assert_false(problem_set(&problem, PROBLEM_UNKNOWN_FIELD, name, "%s", name));
    assert_int_equal(strlen(problem.field), sizeof problem.field - 1);
    assert_int_equal(strlen(problem.detail), sizeof problem.detail - 1);
}

/* The spellings are those of the interface's table of problems. */
static void codes_are_those_of_the_interface(void **state)
{
    (void)state;
    assert_string_equal(problem_code(PROBLEM_NOT_AUDIO), "not_audio");
    assert_string_equal(problem_code(PROBLEM_UNSUPPORTED_FORMAT), "unsupported_format");
    assert_string_equal(problem_code(PROBLEM_NO_AUDIO), "no_audio");
    assert_string_equal(problem_code(PROBLEM_UNKNOWN_FIELD), "unknown_field");
    assert_string_equal(problem_code(PROBLEM_MISSING_FIELD), "missing_field");
    assert_string_equal(problem_code(PROBLEM_OUT_OF_RANGE), "out_of_range");
    assert_string_equal(problem_code(PROBLEM_NOT_MEASURABLE), "not_measurable");
    assert_string_equal(problem_code(PROBLEM_WRONG_SIGNAL), "wrong_signal");
    assert_string_equal(problem_code(PROBLEM_NOT_FINITE), "not_finite");
    assert_string_equal(problem_code(PROBLEM_OUT_OF_MEMORY), "out_of_memory");
    assert_string_equal(problem_code(PROBLEM_DISK_FULL), "disk_full");
    assert_string_equal(problem_code(PROBLEM_IO), "unavailable");
    for (int kind = 0; kind < PROBLEM_KINDS; kind++)
        assert_non_null(problem_code((enum problem_kind)kind));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(first_problem_wins),
        cmocka_unit_test(no_field_is_empty),
        cmocka_unit_test(long_texts_are_cut),
        cmocka_unit_test(codes_are_those_of_the_interface),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
