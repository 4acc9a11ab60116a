#include "server/http/schemas.h"

#include <string.h>

#include "server/base/problem.h"
#include "tests/support/support.h"

static void codes_are_those_of_a_status(void **state)
{
    (void)state;
    /* as the interface lists them */
    static const struct {
        int status;
        const char *want;
    } cases[] = {
        {404, "not_found not_ready"},
        {429, "queue_full"},
        {418, ""},
    };
    char words[SCHEMAS_CODES_BYTES];
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        schemas_codes(cases[i].status, words);
        assert_string_equal(words, cases[i].want);
    }
    schemas_codes(0, words);
    assert_non_null(strstr(words, "worker_crashed"));
    assert_null(strstr(words, "not_found"));
}

static void all_codes_fit(void **state)
{
    (void)state;
    char words[SCHEMAS_CODES_BYTES];
    int count = 1;
    schemas_codes(-1, words);
    for (const char *c = words; *c != '\0'; c++)
        count += *c == ' ';
    assert_int_equal(count, SERVER_PROBLEM_CODES - 1);
    assert_true(strlen(words) + 64 < sizeof words);
}

/* Calls itself for every value within. */
static void assert_objects_are_closed(const char *name, const json_t *value)
{
    const char *key;
    json_t *member;
    size_t index;
    json_array_foreach(value, index, member)
    {
        assert_objects_are_closed(name, member);
    }
    if (json_object_get(value, "properties") != NULL &&
        !json_is_false(json_object_get(value, "additionalProperties")))
        fail_msg("%s leaves open which members it has", name);
    json_object_foreach((json_t *)value, key, member)
    {
        assert_objects_are_closed(name, member);
    }
}

static void every_resource_is_there_and_closed(void **state)
{
    (void)state;
    static const char *const names[] = {
        "root",     "health",          "capture",         "captures", "analysis",
        "analyses", "measurement",     "measurements",    "signal",   "signals",
        "problem",  "problem_meaning", "problem_meanings"};
    json_t *schemas = json_object();
    assert_true(schemas_add(schemas));
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        const json_t *schema = json_object_get(schemas, names[i]);
        assert_non_null(schema);
        assert_objects_are_closed(names[i], schema);
    }
    json_decref(schemas);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(codes_are_those_of_a_status),
        cmocka_unit_test(all_codes_fit),
        cmocka_unit_test(every_resource_is_there_and_closed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
