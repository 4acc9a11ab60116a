/* Expected schemas: JSON Schema 2020-12, validation vocabulary. */
#include "server/http/schema.h"

#include <stdint.h>

#include "tests/support/support.h"

static void assert_schema(json_t *schema, const char *want)
{
    json_t *wanted = json_loads(want, 0, NULL);
    assert_non_null(wanted);
    if (!json_equal(schema, wanted))
        fail_msg("%s is not %s", json_dumps(schema, 0), want);
    json_decref(wanted);
    json_decref(schema);
}

static void simple_schemas_say_their_type(void **state)
{
    (void)state;
    assert_schema(schema_text(), "{\"type\":\"string\"}");
    assert_schema(schema_short_text(9), "{\"type\":\"string\",\"maxLength\":9}");
    assert_schema(schema_integer(1, 16),
                  "{\"type\":\"integer\",\"minimum\":1,\"maximum\":16}");
    assert_schema(schema_integer(0, INT64_MAX), "{\"type\":\"integer\",\"minimum\":0}");
    assert_schema(schema_words("a bc"), "{\"type\":\"string\",\"enum\":[\"a\",\"bc\"]}");
    assert_schema(schema_constant(json_string("x")), "{\"const\":\"x\"}");
    assert_schema(schema_id("cap"),
                  "{\"type\":\"string\",\"pattern\":\"^cap_[a-z2-7]{20}$\"}");
    assert_schema(schema_array(schema_number()),
                  "{\"type\":\"array\",\"items\":{\"type\":\"number\"}}");
    assert_schema(schema_reference("result"),
                  "{\"$ref\":\"#/components/schemas/result\"}");
}

static void what_is_nullable_may_be_null_too(void **state)
{
    (void)state;
    assert_schema(schema_nullable(schema_number()), "{\"type\":[\"number\",\"null\"]}");
    /* an enum would refuse null whatever the type */
    assert_schema(schema_nullable(schema_words("a")),
                  "{\"anyOf\":[{\"type\":\"string\",\"enum\":[\"a\"]},"
                  "{\"type\":\"null\"}]}");
    assert_schema(schema_nullable(schema_reference("x")),
                  "{\"anyOf\":[{\"$ref\":\"#/components/schemas/x\"},"
                  "{\"type\":\"null\"}]}");
}

static void objects_are_closed_and_tell_what_must_be_there(void **state)
{
    (void)state;
    assert_schema(schema_object("a!", schema_text(), "b", schema_number(), NULL),
                  "{\"type\":\"object\",\"properties\":{\"a\":{\"type\":\"string\"},"
                  "\"b\":{\"type\":\"number\"}},\"required\":[\"a\"],"
                  "\"additionalProperties\":false}");
}

static void a_missing_part_makes_the_whole_missing(void **state)
{
    (void)state;
    assert_null(schema_object("a", schema_text(), "b", NULL, "c", schema_text(), NULL));
    assert_null(schema_with(schema_text(), "x", NULL));
    assert_null(schema_with(NULL, "x", json_true()));
    assert_null(schema_array(NULL));
    assert_null(schema_nullable(NULL));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(simple_schemas_say_their_type),
        cmocka_unit_test(what_is_nullable_may_be_null_too),
        cmocka_unit_test(objects_are_closed_and_tell_what_must_be_there),
        cmocka_unit_test(a_missing_part_makes_the_whole_missing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
