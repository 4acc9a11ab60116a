/* Links of a page lead to the next one with the same filters, percent-encoded (RFC 3986).
 */
#include "tests/support/support.h"

#include <string.h>

#include "server/base/limits.h"
#include "server/http/pages.h"

static void ask(struct request *request, const char *raw)
{
    struct server_problem problem = {0};
    memset(request, 0, sizeof *request);
    assert_true(target_parse(raw, &request->target, &problem));
}

static void limit_and_cursor_are_read(void **state)
{
    (void)state;
    struct request request;
    struct store_query query;
    struct server_problem problem = {0};
    ask(&request, "/v1/captures?limit=7&cursor=p1f");
    assert_true(pages_read(&request, &query, &problem));
    assert_int_equal(query.limit, 7);
    assert_true(query.before == 31);
    assert_int_equal(query.state, -1);
    assert_null(query.tester);
    target_free(&request.target);
    ask(&request, "/v1/captures");
    assert_true(pages_read(&request, &query, &problem));
    assert_int_equal(query.limit, LIMIT_PAGE_ITEMS_DEFAULT);
    assert_true(query.before == 0);
    target_free(&request.target);
}

static void limit_beyond_a_page_is_refused(void **state)
{
    (void)state;
    struct request request;
    struct store_query query;
    struct server_problem problem = {0};
    ask(&request, "/v1/captures?limit=201");
    assert_false(pages_read(&request, &query, &problem));
    assert_string_equal(problem.field, "limit");
    assert_non_null(strstr(problem.detail, "1 to 200"));
    target_free(&request.target);
}

static void next_keeps_filters_and_limit(void **state)
{
    (void)state;
    struct request request;
    ask(&request, "/v1/captures?limit=2&tester=a%26b&cursor=p20");
    json_t *links = pages_links(&request, "/v1/captures", "tester", 31);
    assert_string_equal(json_string_value(json_object_get(links, "self")),
                        "/v1/captures?limit=2&tester=a%26b&cursor=p20");
    assert_string_equal(json_string_value(json_object_get(links, "next")),
                        "/v1/captures?limit=2&tester=a%26b&cursor=p1f");
    json_decref(links);
    target_free(&request.target);
}

static void last_page_has_no_next(void **state)
{
    (void)state;
    struct request request;
    ask(&request, "/v1/captures");
    json_t *links = pages_links(&request, "/v1/captures", "tester", 0);
    assert_string_equal(json_string_value(json_object_get(links, "self")),
                        "/v1/captures");
    assert_null(json_object_get(links, "next"));
    json_decref(links);
    target_free(&request.target);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(limit_and_cursor_are_read),
        cmocka_unit_test(limit_beyond_a_page_is_refused),
        cmocka_unit_test(next_keeps_filters_and_limit),
        cmocka_unit_test(last_page_has_no_next),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
