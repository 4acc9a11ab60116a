/* Expected values: RFC 7240 (Prefer) and RFC 9530 (Content-Digest), from memory; SHA-256
 * of
 * {"hello": "world"} and a line feed, and of "abc", by Python's hashlib. */
#include "tests/support/support.h"

#include <string.h>

#include "server/base/limits.h"
#include "server/http/values.h"

static void whole_numbers_within_their_limits(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int64_t want; /* −1: refused */
    } cases[] = {
        {"1", 1},    {"200", 200}, {"007", 7},
        {"0", -1},   {"201", -1},  {"", -1},
        {"-1", -1},  {"+1", -1},   {" 1", -1},
        {"1 ", -1},  {"1.0", -1},  {"1e2", -1},
        {"0x1", -1}, {"ten", -1},  {"99999999999999999999999", -1},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct server_problem problem = {0};
        int64_t got = -1;
        bool taken = values_integer("limit", cases[i].text, 1, 200, &got, &problem);
        if (taken != (cases[i].want >= 0) || got != cases[i].want)
            fail_msg("\"%s\": taken %d, got %ld", cases[i].text, taken, (long)got);
        if (!taken) {
            assert_int_equal(problem.code, SERVER_PROBLEM_OUT_OF_RANGE);
            assert_string_equal(problem.field, "limit");
            assert_non_null(strstr(problem.detail, "1 to 200"));
        }
    }
}

static void largest_number_does_not_overflow(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    int64_t got;
    assert_true(values_integer("n", "999999999999999999", 0, INT64_MAX, &got, &problem));
    assert_true(got == 999999999999999999);
    assert_false(
        values_integer("n", "9999999999999999999", 0, INT64_MAX, &got, &problem));
}

static void finite_decimal_numbers_only(void **state)
{
    (void)state;
    static const char *const good[] = {"0", "-1.5", "+2e4", "20000", ".5", "1E-3"};
    static const double want[] = {0, -1.5, 2e4, 20000, 0.5, 1e-3};
    static const char *const bad[] = {"",   "inf", "nan", "0x10", "1e999", "1,5",  " 1",
                                      "1 ", "--1", "1e",  "e5",   "1.2.3", "-inf", "1f"};
    double got;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        struct server_problem problem = {0};
        assert_true(values_number("from", good[i], &got, &problem));
        assert_close(got, want[i], 0);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct server_problem problem = {0};
        if (values_number("from", bad[i], &got, &problem))
            fail_msg("\"%s\" was taken", bad[i]);
        assert_string_equal(problem.field, "from");
    }
}

static void wait_is_found_among_preferences(void **state)
{
    (void)state;
    static const struct {
        const char *header;
        int want;
    } cases[] = {
        {"wait=30", 30},
        {"respond-async, wait=10", 10},
        {"Wait = 5", 5},
        {"wait=\"7\"", 7},
        {"wait=3; x=y", 3},
        {"wait=0", 0},
        {"wait=99999999999", 999999},
        {"wait", -1},
        {"wait=", -1},
        {"wait=-1", -1},
        {"wait=1.5", -1},
        {"waits=5", -1},
        {"await=5", -1},
        {"respond-async", -1},
        {"", -1},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        if (values_prefer_wait_s(cases[i].header) != cases[i].want)
            fail_msg("\"%s\": got %d, want %d", cases[i].header,
                     values_prefer_wait_s(cases[i].header), cases[i].want);
}

static void digests_are_decoded(void **state)
{
    (void)state;
    static const uint8_t example[4] = {0x44, 0xaf, 0xf4, 0xab}; /* the first of 32 */
    static const uint8_t abc[4] = {0xba, 0x78, 0x16, 0xbf};
    uint8_t digest[VALUES_SHA256_BYTES];
    struct server_problem problem = {0};
    bool found;
    assert_true(values_content_digest(
        "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:", digest, &found,
        &problem));
    assert_true(found);
    assert_memory_equal(digest, example, sizeof example);
    assert_true(digest[31] == 0x38);
    assert_true(values_content_digest(
        "sha-512=:AAAA:, sha-256=:ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=:", digest,
        &found, &problem));
    assert_true(found);
    assert_memory_equal(digest, abc, sizeof abc);
    assert_true(digest[31] == 0xad);
}

static void other_algorithms_are_left_alone(void **state)
{
    (void)state;
    uint8_t digest[VALUES_SHA256_BYTES];
    struct server_problem problem = {0};
    bool found = true;
    assert_true(values_content_digest("md5=:YWJj:", digest, &found, &problem));
    assert_false(found);
}

static void malformed_digests_are_refused(void **state)
{
    (void)state;
    static const char *const cases[] = {
        "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:xyz",
        "sha-256=",
        "sha-256=:YWJj:",
        "sha-256=ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=",
        "sha-256=:ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=",
        "sha-256=:ungWv48Bz-pBQUDeXa4iI7ADYaOWF3qctBD_YfIAFa0=:", /* base64url */
        "sha-256=:ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa1=:", /* 258 bits */
        "sha-256=:ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0AAAA=:",
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        uint8_t digest[VALUES_SHA256_BYTES];
        struct server_problem problem = {0};
        bool found;
        if (values_content_digest(cases[i], digest, &found, &problem))
            fail_msg("\"%s\" was taken", cases[i]);
        assert_int_equal(problem.code, SERVER_PROBLEM_DIGEST_MISMATCH);
    }
}

static void cursors_come_back(void **state)
{
    (void)state;
    static const int64_t cursors[] = {1, 15, 16, 1234567890123, (INT64_C(1) << 60) - 1};
    for (size_t i = 0; i < sizeof cursors / sizeof cursors[0]; i++) {
        char text[VALUES_CURSOR_TEXT_BYTES];
        struct server_problem problem = {0};
        int64_t got;
        values_cursor_text(cursors[i], text);
        assert_true(values_cursor(text, &got, &problem));
        assert_true(got == cursors[i]);
    }
}

static void invented_cursors_are_refused(void **state)
{
    (void)state;
    static const char *const cases[] = {"",    "p",  "p0",  "zz",
                                        "-5",  "12", "pg",  "p-1",
                                        "p1 ", "P1", "pp1", "p1111111111111111111111"};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct server_problem problem = {0};
        int64_t got;
        if (values_cursor(cases[i], &got, &problem))
            fail_msg("\"%s\" was taken", cases[i]);
        assert_string_equal(problem.field, "cursor");
    }
}

static void texts_are_bounded_and_hold_no_controls(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    assert_true(values_text("name", "take 1", 6, false, &problem));
    assert_true(values_text("note", "two\nlines\ttab", 100, true, &problem));
    assert_false(values_text("name", "take 12", 6, false, &problem));
    assert_non_null(strstr(problem.detail, "7 bytes"));
    problem = (struct server_problem){0};
    assert_false(values_text("name", "two\nlines", 100, false, &problem));
    problem = (struct server_problem){0};
    assert_false(values_text("note", "bell\a", 100, true, &problem));
    problem = (struct server_problem){0};
    assert_false(values_text("note", "\x7f", 100, true, &problem));
    assert_string_equal(problem.field, "note");
}

static void keys_are_visible_ascii(void **state)
{
    (void)state;
    char longest[LIMIT_KEY_BYTES + 2];
    memset(longest, 'x', sizeof longest);
    longest[LIMIT_KEY_BYTES + 1] = '\0';
    const char *const bad[] = {"",     " ",        "two words", "tab\t",
                               "\x7f", "\xc3\xbc", longest};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct server_problem problem = {0};
        if (values_key("Idempotency-Key", bad[i], &problem))
            fail_msg("\"%s\" was taken", bad[i]);
        assert_int_equal(problem.code, SERVER_PROBLEM_OUT_OF_RANGE);
        assert_string_equal(problem.field, "Idempotency-Key");
    }
    longest[LIMIT_KEY_BYTES] = '\0';
    const char *const good[] = {"!", "~", "\"8e03978e-40d5-43dd-bc93-6894a57f9324\"",
                                longest};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        struct server_problem problem = {0};
        assert_true(values_key("Idempotency-Key", good[i], &problem));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whole_numbers_within_their_limits),
        cmocka_unit_test(largest_number_does_not_overflow),
        cmocka_unit_test(finite_decimal_numbers_only),
        cmocka_unit_test(wait_is_found_among_preferences),
        cmocka_unit_test(digests_are_decoded),
        cmocka_unit_test(other_algorithms_are_left_alone),
        cmocka_unit_test(malformed_digests_are_refused),
        cmocka_unit_test(cursors_come_back),
        cmocka_unit_test(invented_cursors_are_refused),
        cmocka_unit_test(texts_are_bounded_and_hold_no_controls),
        cmocka_unit_test(keys_are_visible_ascii),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
