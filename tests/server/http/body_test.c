/* Expected refusals: RFC 8259 (JSON) and the limits of server/base/limits.h. */
#include "tests/support/support.h"

#include <stdlib.h>
#include <string.h>

#include "server/base/limits.h"
#include "server/http/body.h"

static bool parse(const char *text, json_t **ret, struct server_problem *problem)
{
    struct body body = {0};
    assert_true(body_append(&body, text, strlen(text), problem));
    bool parsed = body_parse(&body, ret, problem);
    body_free(&body);
    return parsed;
}

static void objects_are_taken(void **state)
{
    (void)state;
    json_t *object;
    struct server_problem problem = {0};
    assert_true(parse(" {\"a\":[1,{\"b\":\"}]}]}\"}]} ", &object, &problem));
    assert_int_equal(json_object_size(object), 1);
    json_decref(object);
}

static void everything_else_is_bad_json(void **state)
{
    (void)state;
    static const char *const cases[] = {"",
                                        "{",
                                        "[]",
                                        "1",
                                        "null",
                                        "\"text\"",
                                        "{}x",
                                        "{\"a\":1,}",
                                        "{\"a\":1,\"a\":2}",
                                        "{'a':1}",
                                        "{\"a\":NaN}",
                                        "{\"a\":1e999}",
                                        "{\"a\":\"\xff\"}",
                                        "{\"a\":\"\\u0000\"}",
                                        "a=1&b=2"};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        json_t *object;
        struct server_problem problem = {0};
        if (parse(cases[i], &object, &problem))
            fail_msg("%s was taken", cases[i]);
        assert_int_equal(problem.code, SERVER_PROBLEM_BAD_JSON);
    }
}

static void depth_is_limited(void **state)
{
    (void)state;
    char text[4 * LIMIT_JSON_DEPTH + 32] = "{\"a\":\"\\\"[[[[[[[[[[[[[[[[[[[\",\"b\":";
    char *end = text + strlen(text);
    memset(end, '[', LIMIT_JSON_DEPTH - 1);
    memset(end + LIMIT_JSON_DEPTH - 1, ']', LIMIT_JSON_DEPTH - 1);
    strcpy(end + 2 * (LIMIT_JSON_DEPTH - 1), "}");
    json_t *object;
    struct server_problem problem = {0};
    assert_true(parse(text, &object, &problem));
    json_decref(object);
    memset(end, '[', LIMIT_JSON_DEPTH);
    memset(end + LIMIT_JSON_DEPTH, ']', LIMIT_JSON_DEPTH);
    strcpy(end + 2 * LIMIT_JSON_DEPTH, "}");
    assert_false(parse(text, &object, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_BAD_JSON);
    assert_non_null(strstr(problem.detail, "17 deep"));
}

static void a_zero_character_is_told_in_our_words(void **state)
{
    (void)state;
    static const char *const cases[] = {"{\"a\":\"x\\u0000\"}", "{\"a\\u0000\":1}"};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        json_t *object;
        struct server_problem problem = {0};
        assert_false(parse(cases[i], &object, &problem));
        assert_int_equal(problem.code, SERVER_PROBLEM_BAD_JSON);
        assert_non_null(strstr(problem.detail, "zero character"));
        assert_null(strstr(problem.detail, "JSON_"));
    }
}

static void one_byte_more_than_the_limit_is_too_large(void **state)
{
    (void)state;
    char *piece = malloc(LIMIT_JSON_BODY_BYTES);
    assert_non_null(piece);
    memset(piece, ' ', LIMIT_JSON_BODY_BYTES);
    struct body body = {0};
    struct server_problem problem = {0};
    assert_true(body_append(&body, piece, LIMIT_JSON_BODY_BYTES - 1, &problem));
    assert_true(body_append(&body, piece, 1, &problem));
    assert_false(body_append(&body, piece, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_TOO_LARGE);
    assert_true(problem.limit_bytes == LIMIT_JSON_BODY_BYTES);
    body_free(&body);
    free(piece);
}

static void fields_are_known_and_of_their_type(void **state)
{
    (void)state;
    json_t *object = json_pack("{s:s, s:i}", "capture", "cap_x", "measurement", 5);
    struct server_problem problem = {0};
    assert_true(
        body_check_fields(object, "capture! measurement! settings floor", &problem));
    assert_string_equal(body_text(object, "capture", &problem), "cap_x");
    assert_false(body_check_fields(object, "capture! settings", &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNKNOWN_FIELD);
    assert_string_equal(problem.field, "measurement");
    assert_string_equal(problem.detail, "There is no field \"measurement\" here; known: "
                                        "capture, settings.");
    problem = (struct server_problem){0};
    assert_false(body_check_fields(object, "measurement! capture settings!", &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_MISSING_FIELD);
    assert_string_equal(problem.field, "settings");
    assert_string_equal(problem.detail,
                        "The field settings is missing; needed: measurement, settings.");
    problem = (struct server_problem){0};
    assert_null(body_text(object, "measurement", &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_OUT_OF_RANGE);
    json_decref(object);
}

static void a_body_may_be_said_to_have_no_fields(void **state)
{
    (void)state;
    json_t *nothing = json_object(), *something = json_pack("{s:i}", "x", 1);
    struct server_problem problem = {0};
    assert_true(body_check_fields(nothing, "", &problem));
    assert_false(body_check_fields(something, "", &problem));
    assert_string_equal(problem.detail, "There is no field \"x\" here; known: none.");
    json_decref(nothing);
    json_decref(something);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(objects_are_taken),
        cmocka_unit_test(everything_else_is_bad_json),
        cmocka_unit_test(depth_is_limited),
        cmocka_unit_test(a_zero_character_is_told_in_our_words),
        cmocka_unit_test(one_byte_more_than_the_limit_is_too_large),
        cmocka_unit_test(fields_are_known_and_of_their_type),
        cmocka_unit_test(a_body_may_be_said_to_have_no_fields),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
