/* Expected refusals: RFC 9112 (section 3.2 Host, section 6.3 message framing), RFC 6454
 * (origin). */
#include "tests/support/support.h"

#include <stdio.h>
#include <string.h>

#include "server/base/limits.h"
#include "server/http/headers.h"

static const char *const hosts[] = {"localhost", "127.0.0.1", "[::1]", "bench.example",
                                    NULL};

/* Takes "Name: value" lines in, ended by NULL, and checks them. */
static enum server_problem_code check_lines(const char *const *lines, bool unsafe,
                                            struct headers *ret)
{
    static char names[16][64];
    struct server_problem problem = {0};
    struct headers headers = headers_empty();
    for (int i = 0; lines[i] != NULL; i++) {
        const char *colon = strchr(lines[i], ':');
        snprintf(names[i], sizeof names[i], "%.*s", (int)(colon - lines[i]), lines[i]);
        headers_take(&headers, names[i], colon + 1 + (colon[1] == ' '));
    }
    const struct headers_check check = {
        .hosts = hosts, .host_required = true, .unsafe = unsafe};
    bool good = headers_check(&headers, &check, &problem);
    assert_true(good == (problem.code == SERVER_PROBLEM_NONE));
    if (ret != NULL)
        *ret = headers;
    return problem.code;
}

static void framing_that_can_be_read_in_two_ways_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *lines[4];
        enum server_problem_code want;
    } cases[] = {
        {{"Host: localhost"}, SERVER_PROBLEM_NONE},
        {{"Host: localhost", "Content-Length: 5"}, SERVER_PROBLEM_NONE},
        {{"Host: localhost", "Transfer-Encoding: chunked"}, SERVER_PROBLEM_NONE},
        {{"Host: localhost", "HOST: localhost"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"X: y"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Content-Length: 5", "content-length: 5"},
         SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Content-Length: 5", "Transfer-Encoding: chunked"},
         SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Transfer-Encoding: gzip, chunked"},
         SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Transfer-Encoding: identity"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Content-Length: -5"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Content-Length: +5"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Content-Length: 5, 5"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "Content-Length: "}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "X: a\x01z"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", "X: a\tz"}, SERVER_PROBLEM_NONE},
        {{"Host: localhost", "X y: z"}, SERVER_PROBLEM_BAD_REQUEST},
        {{"Host: localhost", ": z"}, SERVER_PROBLEM_BAD_REQUEST},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        enum server_problem_code got = check_lines(cases[i].lines, false, NULL);
        if (got != cases[i].want)
            fail_msg("case %zu: code %d, want %d", i, got, cases[i].want);
    }
}

static void hosts_are_compared_whole(void **state)
{
    (void)state;
    static const struct {
        const char *line;
        enum server_problem_code want;
    } cases[] = {
        {"Host: localhost", SERVER_PROBLEM_NONE},
        {"Host: LOCALHOST:8737", SERVER_PROBLEM_NONE},
        {"Host: 127.0.0.1:1", SERVER_PROBLEM_NONE},
        {"Host: [::1]", SERVER_PROBLEM_NONE},
        {"Host: [::1]:8737", SERVER_PROBLEM_NONE},
        {"Host: bench.example", SERVER_PROBLEM_NONE},
        {"Host: example.org", SERVER_PROBLEM_WRONG_HOST},
        {"Host: localhost.example.org", SERVER_PROBLEM_WRONG_HOST},
        {"Host: xlocalhost", SERVER_PROBLEM_WRONG_HOST},
        {"Host: localhost:", SERVER_PROBLEM_NONE}, /* RFC 3986: a port may be empty */
        {"Host: localhost:80:80", SERVER_PROBLEM_WRONG_HOST},
        {"Host: localhost:http", SERVER_PROBLEM_WRONG_HOST},
        {"Host: 127.0.0.1@example.org", SERVER_PROBLEM_WRONG_HOST},
        {"Host: [::1", SERVER_PROBLEM_WRONG_HOST},
        {"Host: [::1]x", SERVER_PROBLEM_WRONG_HOST},
        {"Host: ", SERVER_PROBLEM_WRONG_HOST},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *lines[] = {cases[i].line, NULL};
        enum server_problem_code got = check_lines(lines, false, NULL);
        if (got != cases[i].want)
            fail_msg("%s: code %d, want %d", cases[i].line, got, cases[i].want);
    }
}

static void foreign_origin_may_read_but_not_write(void **state)
{
    (void)state;
    static const struct {
        const char *origin;
        enum server_problem_code want;
    } cases[] = {
        {"Origin: http://localhost:8737", SERVER_PROBLEM_NONE},
        {"Origin: http://localhost", SERVER_PROBLEM_FORBIDDEN},
        {"Origin: https://localhost:8737", SERVER_PROBLEM_FORBIDDEN},
        {"Origin: http://localhost:8738", SERVER_PROBLEM_FORBIDDEN},
        {"Origin: http://example.org", SERVER_PROBLEM_FORBIDDEN},
        {"Origin: null", SERVER_PROBLEM_FORBIDDEN},
        {"Origin: ", SERVER_PROBLEM_FORBIDDEN},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *lines[] = {"Host: localhost:8737", cases[i].origin, NULL};
        enum server_problem_code got = check_lines(lines, true, NULL);
        if (got != cases[i].want)
            fail_msg("%s: code %d, want %d", cases[i].origin, got, cases[i].want);
        assert_int_equal(check_lines(lines, false, NULL), SERVER_PROBLEM_NONE);
    }
}

static void absolute_form_is_held_to_the_same_hosts(void **state)
{
    (void)state;
    struct headers headers = headers_empty();
    struct server_problem problem = {0};
    headers_take(&headers, "Host", "localhost");
    struct headers_check check = {.authority = "example.org", .hosts = hosts};
    assert_false(headers_check(&headers, &check, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_WRONG_HOST);
    check.authority = "localhost:8737";
    assert_true(headers_check(&headers, &check, NULL));
}

static void host_may_be_missing_before_http_1_1(void **state)
{
    (void)state;
    struct headers headers = headers_empty();
    const struct headers_check check = {.hosts = hosts, .host_required = false};
    assert_true(headers_check(&headers, &check, NULL));
}

static void one_header_more_than_the_limit_is_refused(void **state)
{
    (void)state;
    struct headers headers = headers_empty();
    struct server_problem problem = {0};
    const struct headers_check check = {.hosts = hosts};
    for (int i = 0; i < LIMIT_HEADERS; i++)
        headers_take(&headers, "X-Any", "y");
    assert_true(headers_check(&headers, &check, &problem));
    headers_take(&headers, "X-Any", "y");
    assert_false(headers_check(&headers, &check, &problem));
    assert_non_null(strstr(problem.detail, "65"));
}

static void body_length_is_what_is_declared(void **state)
{
    (void)state;
    struct headers headers;
    const char *chunked[] = {"Host: localhost", "Transfer-Encoding: chunked", NULL};
    const char *none[] = {"Host: localhost", NULL};
    const char *some[] = {"Host: localhost", "Content-Length: 4294967296", NULL};
    const char *huge[] = {"Host: localhost", "Content-Length: 99999999999999999999",
                          NULL};
    check_lines(chunked, false, &headers);
    assert_true(headers_body_bytes(&headers) == -1);
    check_lines(none, false, &headers);
    assert_true(headers_body_bytes(&headers) == 0);
    check_lines(some, false, &headers);
    assert_true(headers_body_bytes(&headers) == INT64_C(4294967296));
    check_lines(huge, false, &headers);
    assert_true(headers_body_bytes(&headers) == INT64_MAX);
}

static void first_wish_to_wait_counts(void **state)
{
    (void)state;
    struct headers headers;
    const char *lines[] = {"Host: localhost", "Prefer: respond-async", "Prefer: wait=4",
                           "Prefer: wait=9", NULL};
    check_lines(lines, false, &headers);
    assert_int_equal(headers.prefer_wait_s, 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(framing_that_can_be_read_in_two_ways_is_refused),
        cmocka_unit_test(hosts_are_compared_whole),
        cmocka_unit_test(foreign_origin_may_read_but_not_write),
        cmocka_unit_test(absolute_form_is_held_to_the_same_hosts),
        cmocka_unit_test(host_may_be_missing_before_http_1_1),
        cmocka_unit_test(one_header_more_than_the_limit_is_refused),
        cmocka_unit_test(body_length_is_what_is_declared),
        cmocka_unit_test(first_wish_to_wait_counts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
