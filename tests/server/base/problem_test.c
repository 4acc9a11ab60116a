#include "server/base/problem.h"

#include <stdio.h>
#include <string.h>

#include "tests/support/support.h"

/* Codes and statuses as the description of the interface lists them. */
static const struct {
    enum server_problem_code code;
    const char *text;
    int status;
} listed[] = {
    {SERVER_PROBLEM_BAD_REQUEST, "bad_request", 400},
    {SERVER_PROBLEM_BAD_JSON, "bad_json", 400},
    {SERVER_PROBLEM_BODY_MANGLED, "body_mangled", 400},
    {SERVER_PROBLEM_DIGEST_MISMATCH, "digest_mismatch", 400},
    {SERVER_PROBLEM_FORBIDDEN, "forbidden", 403},
    {SERVER_PROBLEM_NOT_FOUND, "not_found", 404},
    {SERVER_PROBLEM_NOT_READY, "not_ready", 404},
    {SERVER_PROBLEM_WRONG_METHOD, "wrong_method", 405},
    {SERVER_PROBLEM_CONFLICT, "conflict", 409},
    {SERVER_PROBLEM_NO_RESULT, "no_result", 410},
    {SERVER_PROBLEM_AUDIO_EXPIRED, "audio_expired", 410},
    {SERVER_PROBLEM_TOO_LARGE, "too_large", 413},
    {SERVER_PROBLEM_NOT_AUDIO, "not_audio", 415},
    {SERVER_PROBLEM_UNSUPPORTED_FORMAT, "unsupported_format", 415},
    {SERVER_PROBLEM_RANGE_NOT_SATISFIABLE, "range_not_satisfiable", 416},
    {SERVER_PROBLEM_WRONG_HOST, "wrong_host", 421},
    {SERVER_PROBLEM_NO_AUDIO, "no_audio", 422},
    {SERVER_PROBLEM_UNKNOWN_FIELD, "unknown_field", 422},
    {SERVER_PROBLEM_MISSING_FIELD, "missing_field", 422},
    {SERVER_PROBLEM_OUT_OF_RANGE, "out_of_range", 422},
    {SERVER_PROBLEM_KEY_REUSED, "key_reused", 422},
    {SERVER_PROBLEM_QUEUE_FULL, "queue_full", 429},
    {SERVER_PROBLEM_UNAVAILABLE, "unavailable", 503},
    {SERVER_PROBLEM_DISK_FULL, "disk_full", 507},
    {SERVER_PROBLEM_NOT_MEASURABLE, "not_measurable", 0},
    {SERVER_PROBLEM_WRONG_SIGNAL, "wrong_signal", 0},
    {SERVER_PROBLEM_NOT_FINITE, "not_finite", 0},
    {SERVER_PROBLEM_WORKER_CRASHED, "worker_crashed", 0},
    {SERVER_PROBLEM_TIMED_OUT, "timed_out", 0},
    {SERVER_PROBLEM_OUT_OF_MEMORY, "out_of_memory", 0},
    {SERVER_PROBLEM_CONFINEMENT, "confinement", 0},
};

enum { LISTED = sizeof listed / sizeof listed[0] };

static void assert_sentence(const char *text)
{
    assert_non_null(text);
    assert_in_range(strlen(text), 15, 300);
    assert_in_range(text[0], 'A', 'Z');
    assert_int_equal(text[strlen(text) - 1], '.');
}

static void problem_table_agrees_with_the_interface(void **state)
{
    (void)state;
    assert_int_equal(LISTED, SERVER_PROBLEM_CODES - 1);
    for (int i = 0; i < LISTED; i++) {
        const struct server_problem_meaning *is = server_problem_meaning(listed[i].code);
        assert_string_equal(is->code, listed[i].text);
        assert_int_equal(is->status, listed[i].status);
        assert_true(strlen(is->title) > 8);
        assert_sentence(is->meaning);
        assert_sentence(is->remedy);
        assert_int_equal(server_problem_from_text(listed[i].text), listed[i].code);
    }
}

static void problem_from_text_knows_no_other_code(void **state)
{
    (void)state;
    assert_int_equal(server_problem_from_text("none"), SERVER_PROBLEM_NONE);
    assert_int_equal(server_problem_from_text(""), SERVER_PROBLEM_NONE);
    assert_int_equal(server_problem_from_text("bad_jso"), SERVER_PROBLEM_NONE);
}

static void problem_set_keeps_the_first(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    assert_false(server_problem_set(&problem, SERVER_PROBLEM_OUT_OF_RANGE, "harmonics",
                                    "harmonics is %d; give 2 to %d.", 1, 20));
    assert_false(server_problem_set(&problem, SERVER_PROBLEM_DISK_FULL, NULL, "later"));
    assert_int_equal(problem.code, SERVER_PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "harmonics");
    assert_string_equal(problem.detail, "harmonics is 1; give 2 to 20.");
    assert_false(server_problem_set(NULL, SERVER_PROBLEM_DISK_FULL, NULL, "nobody asks"));
}

static void problem_set_cuts_what_is_too_long(void **state)
{
    (void)state;
    char lengthy[1000];
    memset(lengthy, 'x', sizeof lengthy - 1);
    lengthy[sizeof lengthy - 1] = '\0';
    struct server_problem problem = {0};
    assert_false(
        server_problem_set(&problem, SERVER_PROBLEM_NOT_FOUND, lengthy, "%s", lengthy));
    assert_int_equal(strlen(problem.field), sizeof problem.field - 1);
    assert_int_equal(strlen(problem.detail), sizeof problem.detail - 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(problem_table_agrees_with_the_interface),
        cmocka_unit_test(problem_from_text_knows_no_other_code),
        cmocka_unit_test(problem_set_keeps_the_first),
        cmocka_unit_test(problem_set_cuts_what_is_too_long),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
