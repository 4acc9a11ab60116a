/* Expected: RFC 9110, sections 8.8.3 (syntax), 8.8.3.2 (comparison), 13.1.2
 * (If-None-Match) and 13.1.5 (If-Range); FNV-1a values: draft-eastlake-fnv, from memory.
 */
#include "tests/support/support.h"

#include <string.h>

#include "server/http/etags.h"

static const struct {
    const char *list, *etag;
    enum etags_match want;
} lists[] = {
    {"\"xyzzy\"", "\"xyzzy\"", ETAGS_NAMED},
    {"W/\"xyzzy\"", "\"xyzzy\"", ETAGS_NAMED},
    {"\"xyzzy\", \"r2d2xxxx\", \"c3piozzzz\"", "\"c3piozzzz\"", ETAGS_NAMED},
    {"W/\"xyzzy\", W/\"r2d2xxxx\"", "\"r2d2xxxx\"", ETAGS_NAMED},
    {",, \"a\",\t,\"b\" ,", "\"b\"", ETAGS_NAMED},
    {"\"\"", "\"\"", ETAGS_NAMED},
    {"\"a,b\"", "\"a,b\"", ETAGS_NAMED},
    {"*", "\"xyzzy\"", ETAGS_ANY},
    {" * ", "\"xyzzy\"", ETAGS_ANY},
    {"\"xyzz\"", "\"xyzzy\"", ETAGS_NONE},
    {"\"xyzzyy\"", "\"xyzzy\"", ETAGS_NONE},
    {"\"XYZZY\"", "\"xyzzy\"", ETAGS_NONE},
    {"\"a,b\"", "\"b\"", ETAGS_NONE},
    {"", "\"xyzzy\"", ETAGS_NONE},
    /* malformed: nothing behind the fault counts */
    {"xyzzy", "\"xyzzy\"", ETAGS_NONE},
    {"\"xyzzy", "\"xyzzy\"", ETAGS_NONE},
    {"w/\"xyzzy\"", "\"xyzzy\"", ETAGS_NONE},
    {"\"a\" \"xyzzy\"", "\"xyzzy\"", ETAGS_NONE},
    {"*, \"xyzzy\"", "\"xyzzy\"", ETAGS_NONE},
    {"\"a b\", \"xyzzy\"", "\"xyzzy\"", ETAGS_NONE},
};

static void lists_are_searched_by_the_weak_comparison(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++)
        if (etags_find(lists[i].list, lists[i].etag) != lists[i].want)
            fail_msg("%s in %s", lists[i].etag, lists[i].list);
}

static void if_range_takes_the_strong_tag_alone(void **state)
{
    (void)state;
    assert_true(etags_range_holds(NULL, "\"a\""));
    assert_true(etags_range_holds("\"a\"", "\"a\""));
    assert_false(etags_range_holds("W/\"a\"", "\"a\""));
    assert_false(etags_range_holds("\"b\"", "\"a\""));
    assert_false(etags_range_holds("\"a\", \"b\"", "\"a\""));
    assert_false(etags_range_holds("Tue, 15 Nov 1994 12:45:26 GMT", "\"a\""));
}

static void tags_are_of_the_bytes(void **state)
{
    (void)state;
    char etag[ETAGS_BYTES], long_prefix[200];
    etags_of_bytes("x", "", 0, etag);
    assert_string_equal(etag, "\"x-cbf29ce484222325\"");
    etags_of_bytes("x", "a", 1, etag);
    assert_string_equal(etag, "\"x-af63dc4c8601ec8c\"");
    etags_of_bytes("x", "foobar", 6, etag);
    assert_string_equal(etag, "\"x-85944171f73967e8\"");
    memset(long_prefix, 'p', sizeof long_prefix - 1);
    long_prefix[sizeof long_prefix - 1] = '\0';
    etags_of_bytes(long_prefix, "a", 1, etag);
    assert_string_equal(etag + strlen(etag) - 18, "-af63dc4c8601ec8c\"");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lists_are_searched_by_the_weak_comparison),
        cmocka_unit_test(if_range_takes_the_strong_tag_alone),
        cmocka_unit_test(tags_are_of_the_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
