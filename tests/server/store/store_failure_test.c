#include "server/store/store.h"

#include <stdlib.h>
#include <string.h>

#include "tests/support/support.h"

static void what_is_kept_is_read_again(void **state)
{
    static const char *const fields[] = {"", "floor_capture"};
    (void)state;
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        struct server_problem problem = {0}, read = {0};
        server_problem_set(&problem, SERVER_PROBLEM_NOT_FINITE, fields[i],
                           "Channel 2 holds \"NaN\" at frame %d.", 4321);
        char *text = store_failure_text(&problem);
        assert_non_null(text);
        assert_int_equal(strstr(text, "\"field\"") != NULL, fields[i][0] != '\0');
        assert_non_null(strstr(text, "\"title\""));
        assert_true(store_failure_read(text, &read));
        assert_int_equal(read.code, SERVER_PROBLEM_NOT_FINITE);
        assert_string_equal(read.detail, problem.detail);
        assert_string_equal(read.field, fields[i]);
        free(text);
    }
}

static void what_tells_no_failure_is_none(void **state)
{
    static const char *const texts[] = {NULL,
                                        "",
                                        "[]",
                                        "{}",
                                        "{\"code\":\"not_finite\"}",
                                        "{\"code\":\"invented\",\"detail\":\"a\"}",
                                        "{\"code\":1,\"detail\":\"a\"}"};
    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct server_problem read = {.code = SERVER_PROBLEM_CONFLICT};
        assert_false(store_failure_read(texts[i], &read));
        assert_int_equal(read.code, SERVER_PROBLEM_CONFLICT);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_kept_is_read_again),
        cmocka_unit_test(what_tells_no_failure_is_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
