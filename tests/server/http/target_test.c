/* Expected values: RFC 3986 (percent-encoding, reserved characters), RFC 9112 section 3.2
 * (absolute form), and the form encoding's '+' for a space. */
#include "tests/support/support.h"

#include <stdio.h>
#include <string.h>

#include "server/http/target.h"

static void parse(const char *raw, struct target *target)
{
    struct server_problem problem = {0};
    if (!target_parse(raw, target, &problem))
        fail_msg("%s: %s", raw, problem.detail);
}

static void a_list_may_be_given_word_by_word(void **state)
{
    (void)state;
    struct target target;
    parse("/a?measure=x&name=n&measure=y&measure=x", &target);
    assert_int_equal(target.parameter_count, 4);
    assert_string_equal(target.parameters[2].value, "y");
    assert_string_equal(target_get(&target, "measure"), "x"); /* the first */
    target_free(&target);
}

static void path_is_cut_at_slashes(void **state)
{
    (void)state;
    struct target target;
    parse("/v1/captures/a%2Fb%20c", &target);
    assert_int_equal(target.segment_count, 3);
    assert_string_equal(target.segments[0], "v1");
    assert_string_equal(target.segments[1], "captures");
    assert_string_equal(target.segments[2], "a/b c");
    assert_int_equal(target.parameter_count, 0);
    assert_null(target.authority);
    target_free(&target);
}

static void slash_at_the_end_adds_an_empty_segment(void **state)
{
    (void)state;
    struct target target;
    parse("/v1/", &target);
    assert_int_equal(target.segment_count, 2);
    assert_string_equal(target.segments[1], "");
    target_free(&target);
}

static void plus_is_a_space_in_the_query_only(void **state)
{
    (void)state;
    struct target target;
    parse("/a+b?name=take+1%2B&empty=&bare&note=%C3%BC", &target);
    assert_string_equal(target.segments[0], "a+b");
    assert_string_equal(target_get(&target, "name"), "take 1+");
    assert_string_equal(target_get(&target, "empty"), "");
    assert_string_equal(target_get(&target, "bare"), "");
    assert_string_equal(target_get(&target, "note"), "\xc3\xbc");
    assert_null(target_get(&target, "other"));
    target_free(&target);
}

static void absolute_form_gives_its_authority(void **state)
{
    (void)state;
    struct target target;
    parse("http://localhost:8737/v1/health?x=1", &target);
    assert_string_equal(target.authority, "localhost:8737");
    assert_int_equal(target.segment_count, 2);
    assert_string_equal(target.segments[1], "health");
    assert_string_equal(target_get(&target, "x"), "1");
    target_free(&target);
    parse("http://localhost", &target);
    assert_string_equal(target.authority, "localhost");
    target_free(&target);
    parse("http:///v1/health", &target);
    assert_string_equal(target.authority, "");
    assert_string_equal(target.segments[1], "health");
    target_free(&target);
}

static void bad_targets_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *raw;
        enum server_problem_code code;
    } cases[] = {
        {"/v1/%zz", SERVER_PROBLEM_BAD_REQUEST},
        {"/v1/%4", SERVER_PROBLEM_BAD_REQUEST},
        {"/v1/%", SERVER_PROBLEM_BAD_REQUEST},
        {"/v1/%00", SERVER_PROBLEM_NOT_FOUND},
        {"/v1/x?a=%00", SERVER_PROBLEM_BAD_REQUEST},
        {"/v1/x?a=\x01", SERVER_PROBLEM_BAD_REQUEST},
        {"/v1/x?a=%ff", SERVER_PROBLEM_BAD_REQUEST},
        {"/v1/x?a=%c0%af", SERVER_PROBLEM_BAD_REQUEST}, /* overlong slash */
        {"/v1/x?a=1&a=2", SERVER_PROBLEM_OUT_OF_RANGE},
        {"/1/2/3/4/5/6/7/8/9", SERVER_PROBLEM_NOT_FOUND},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct server_problem problem = {0};
        struct target target;
        if (target_parse(cases[i].raw, &target, &problem))
            fail_msg("%s was taken", cases[i].raw);
        if (problem.code != cases[i].code)
            fail_msg("%s: code %d, want %d", cases[i].raw, problem.code, cases[i].code);
    }
}

static void more_parameters_than_the_limit_are_refused(void **state)
{
    (void)state;
    char raw[16 * (TARGET_PARAMETERS_MAX + 2)] = "/x?";
    struct server_problem problem = {0};
    struct target target;
    for (int i = 0; i < TARGET_PARAMETERS_MAX; i++)
        sprintf(raw + strlen(raw), "p%d=1&", i);
    parse(raw, &target);
    assert_int_equal(target.parameter_count, TARGET_PARAMETERS_MAX);
    target_free(&target);
    strcat(raw, "last=1");
    assert_false(target_parse(raw, &target, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_BAD_REQUEST);
}

static void unknown_parameter_is_named(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    struct target target;
    parse("/x?name=a&nam=b", &target);
    assert_true(target_check_known(&target, "nam name", &problem));
    assert_false(target_check_known(&target, "name note", &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNKNOWN_FIELD);
    assert_string_equal(problem.field, "nam");
    assert_non_null(strstr(problem.detail, "known: name, note."));
    target_free(&target);
}

static void words_match_whole(void **state)
{
    (void)state;
    assert_true(target_word_among("limit", "cursor limit"));
    assert_true(target_word_among("cursor", "cursor limit"));
    assert_false(target_word_among("lim", "cursor limit"));
    assert_false(target_word_among("limits", "cursor limit"));
    assert_false(target_word_among("", "cursor limit"));
    assert_false(target_word_among("x", ""));
}

static void encoding_survives_decoding(void **state)
{
    (void)state;
    char link[64] = "/x?name=";
    struct target target;
    target_append_encoded(link, sizeof link, "a b&c=\xc3\xbc/+%");
    assert_string_equal(link, "/x?name=a%20b%26c%3D%C3%BC%2F%2B%25");
    parse(link, &target);
    assert_string_equal(target_get(&target, "name"), "a b&c=\xc3\xbc/+%");
    target_free(&target);
}

static void encoding_leaves_out_what_does_not_fit(void **state)
{
    (void)state;
    char link[8] = "ab";
    target_append_encoded(link, sizeof link, "123456");
    assert_string_equal(link, "ab");
    target_append_encoded(link, sizeof link, "12345");
    assert_string_equal(link, "ab12345");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(path_is_cut_at_slashes),
        cmocka_unit_test(a_list_may_be_given_word_by_word),
        cmocka_unit_test(slash_at_the_end_adds_an_empty_segment),
        cmocka_unit_test(plus_is_a_space_in_the_query_only),
        cmocka_unit_test(absolute_form_gives_its_authority),
        cmocka_unit_test(bad_targets_are_refused),
        cmocka_unit_test(more_parameters_than_the_limit_are_refused),
        cmocka_unit_test(unknown_parameter_is_named),
        cmocka_unit_test(words_match_whole),
        cmocka_unit_test(encoding_survives_decoding),
        cmocka_unit_test(encoding_leaves_out_what_does_not_fit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
