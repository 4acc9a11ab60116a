/* Expected answers: RFC 9110 (405 with Allow, HEAD as GET, OPTIONS). */
#include "tests/support/support.h"

#include <string.h>

#include "server/http/router.h"

static const struct route things[] = {
    {.method = "GET", .path = "/v1/things"},
    {.method = "POST", .path = "/v1/things"},
    {.method = "GET", .path = "/v1/things/{id}"},
    {.method = "GET", .path = "/v1/things/{id}/parts/{name}"},
    {0},
};
static const struct route root[] = {{.method = "GET", .path = "/v1/"}, {0}};
static const struct route *const tables[] = {root, things, NULL};

static bool match(const char *method, const char *raw, struct router_match *ret,
                  struct server_problem *problem)
{
    /* The texts must outlive the match. */
    static struct target target;
    target_free(&target);
    assert_true(target_parse(raw, &target, problem));
    return router_match(tables, method, &target, ret, problem);
}

static void path_and_method_choose_the_route(void **state)
{
    (void)state;
    static const struct {
        const char *method, *raw;
        const struct route *want;
    } cases[] = {
        {"GET", "/v1/", &root[0]},           {"GET", "/v1/things", &things[0]},
        {"HEAD", "/v1/things", &things[0]},  {"POST", "/v1/things", &things[1]},
        {"GET", "/v1/things/a", &things[2]}, {"GET", "/v1/things/a/parts/b", &things[3]},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct router_match got;
        struct server_problem problem = {0};
        if (!match(cases[i].method, cases[i].raw, &got, &problem))
            fail_msg("%s %s: %s", cases[i].method, cases[i].raw, problem.detail);
        assert_ptr_equal(got.route, cases[i].want);
    }
}

static void parts_in_braces_are_given(void **state)
{
    (void)state;
    struct router_match got;
    struct server_problem problem = {0};
    assert_true(match("GET", "/v1/things/a%2Fb/parts/c", &got, &problem));
    assert_string_equal(got.arguments[0], "a/b");
    assert_string_equal(got.arguments[1], "c");
}

static void what_is_not_there_is_not_found(void **state)
{
    (void)state;
    static const char *const cases[] = {"/",
                                        "/v1",
                                        "/v1/thing",
                                        "/v1/things/",
                                        "/v1/things2",
                                        "//v1/things",
                                        "/v1//things",
                                        "/v1/things/a/parts",
                                        "/v1/things//parts/b",
                                        "/v1/things/a/parts/b/c"};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct router_match got;
        struct server_problem problem = {0};
        if (match("GET", cases[i], &got, &problem))
            fail_msg("%s was found", cases[i]);
        assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    }
}

static void wrong_method_tells_the_allowed_ones(void **state)
{
    (void)state;
    static const char *const methods[] = {"DELETE", "PUT", "get", "BREW"};
    for (size_t i = 0; i < sizeof methods / sizeof methods[0]; i++) {
        struct router_match got;
        struct server_problem problem = {0};
        assert_false(match(methods[i], "/v1/things", &got, &problem));
        assert_int_equal(problem.code, SERVER_PROBLEM_WRONG_METHOD);
        assert_string_equal(problem.allowed, "GET, HEAD, POST, OPTIONS");
    }
}

static void options_needs_no_route(void **state)
{
    (void)state;
    struct router_match got;
    struct server_problem problem = {0};
    assert_true(match("OPTIONS", "/v1/things/a", &got, &problem));
    assert_null(got.route);
    assert_string_equal(got.allowed, "GET, HEAD, OPTIONS");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(path_and_method_choose_the_route),
        cmocka_unit_test(parts_in_braces_are_given),
        cmocka_unit_test(what_is_not_there_is_not_found),
        cmocka_unit_test(wrong_method_tells_the_allowed_ones),
        cmocka_unit_test(options_needs_no_route),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
