/* Expected schemas: JSON Schema 2020-12 for the types of settings that
 * server/catalogue/catalogue.h lists. */
#include "server/http/schemas_measured.h"

#include <string.h>

#include "tests/server/catalogue/described.h"
#include "tests/support/support.h"

static struct catalogue *made_up(void)
{
    struct catalogue *catalogue = NULL;
    json_t *described = described_new();
    assert_true(catalogue_new(described, &catalogue, NULL));
    json_decref(described);
    return catalogue;
}

static void assert_equal(const json_t *got, const char *want)
{
    json_t *wanted = json_loads(want, 0, NULL);
    assert_non_null(wanted);
    if (!json_equal(got, wanted))
        fail_msg("%s is not %s", json_dumps(got, 0), want);
    json_decref(wanted);
}

static void settings_have_their_types_and_limits(void **state)
{
    (void)state;
    static const char *const want[][2] = {
        {"channels", "{\"type\":[\"array\",\"null\"],\"items\":{\"type\":\"integer\","
                     "\"minimum\":1,\"maximum\":16},\"minItems\":1,\"uniqueItems\":true,"
                     "\"default\":null,\"description\":\"m\"}"},
        {"start_s", "{\"type\":\"number\",\"minimum\":0,\"maximum\":14400,\"default\":0,"
                    "\"description\":\"m (s)\"}"},
        {"frequency_hz",
         "{\"type\":[\"number\",\"null\"],\"minimum\":5,"
         "\"maximum\":384000,\"default\":null,\"description\":\"m (Hz)\"}"},
        {"band_hz", "{\"type\":\"array\",\"items\":{\"type\":\"number\",\"minimum\":1,"
                    "\"maximum\":384000},\"minItems\":2,\"maxItems\":2,"
                    "\"default\":[20,20000],\"description\":\"m (Hz)\"}"},
        {"harmonics", "{\"type\":\"integer\",\"minimum\":2,\"maximum\":100,"
                      "\"default\":10,\"description\":\"m\"}"},
        {"notch", "{\"anyOf\":[{\"enum\":[\"band\"]},{\"type\":\"number\","
                  "\"minimum\":1.2,\"maximum\":3}],\"default\":\"band\","
                  "\"description\":\"m\"}"},
        {"offset", "{\"type\":\"number\",\"default\":0,\"description\":\"m (dB)\"}"},
    };
    struct catalogue *catalogue = made_up();
    json_t *schemas = json_pack("{s:{}}", "analysis");
    assert_true(schemas_measured_add(schemas, catalogue));
    const json_t *given = json_object_get(schemas, "settings_distortion");
    assert_int_equal(json_array_size(json_object_get(given, "required")), 0);
    const json_t *properties = json_object_get(given, "properties");
    assert_int_equal(json_object_size(properties), sizeof want / sizeof want[0]);
    for (size_t i = 0; i < sizeof want / sizeof want[0]; i++)
        assert_equal(json_object_get(properties, want[i][0]), want[i][1]);
    json_decref(schemas);
    catalogue_free(catalogue);
}

static void results_have_exactly_what_is_described(void **state)
{
    (void)state;
    struct catalogue *catalogue = made_up();
    json_t *schemas = json_pack("{s:{}}", "analysis");
    assert_true(schemas_measured_add(schemas, catalogue));
    const json_t *result =
        json_object_get(json_object_get(schemas, "result_distortion"), "properties");
    assert_equal(json_object_get(result, "measurement"), "{\"const\":\"distortion\"}");
    const json_t *settings = json_object_get(result, "settings");
    assert_int_equal(json_array_size(json_object_get(settings, "required")), 7);
    const json_t *channel = json_object_get(
        json_object_get(json_object_get(result, "channels"), "items"), "properties");
    assert_equal(json_object_get(channel, "figures"),
                 "{\"type\":\"object\",\"properties\":{\"thd\":{\"$ref\":"
                 "\"#/components/schemas/figure\",\"type\":\"object\",\"properties\":"
                 "{\"unit\":{\"const\":\"dB\"}},\"description\":\"d\"}},\"required\":"
                 "[\"thd\"],\"additionalProperties\":false}");
    assert_equal(json_object_get(channel, "findings"),
                 "{\"type\":\"object\",\"properties\":{\"overload\":{\"type\":"
                 "[\"boolean\",\"null\"],\"description\":\"d\"}},\"required\":"
                 "[\"overload\"],\"additionalProperties\":false}");
    assert_equal(json_object_get(schemas, "measurement_name"),
                 "{\"type\":\"string\",\"enum\":[\"distortion\"]}");
    assert_equal(json_object_get(schemas, "result"),
                 "{\"oneOf\":[{\"$ref\":\"#/components/schemas/result_distortion\"}]}");
    json_decref(schemas);
    catalogue_free(catalogue);
}

/* A name that two measurements have means what it means in each. */
static void several_measurements_stay_apart(void **state)
{
    (void)state;
    struct catalogue *catalogue = NULL;
    json_t *described = described_several();
    assert_true(catalogue_new(described, &catalogue, NULL));
    json_decref(described);
    json_t *schemas = json_pack("{s:{}}", "analysis");
    assert_true(schemas_measured_add(schemas, catalogue));
    assert_equal(json_object_get(schemas, "measurement_name"),
                 "{\"type\":\"string\",\"enum\":[\"distortion\",\"noise\"]}");
    assert_equal(json_object_get(schemas, "result"),
                 "{\"oneOf\":[{\"$ref\":\"#/components/schemas/result_distortion\"},"
                 "{\"$ref\":\"#/components/schemas/result_noise\"}]}");
    assert_equal(json_object_get(schemas, "settings_given"),
                 "{\"anyOf\":[{\"$ref\":\"#/components/schemas/settings_distortion\"},"
                 "{\"$ref\":\"#/components/schemas/settings_noise\"}]}");
    const json_t *noise =
        json_object_get(json_object_get(schemas, "result_noise"), "properties");
    assert_equal(json_object_get(noise, "measurement"), "{\"const\":\"noise\"}");
    const json_t *settings =
        json_object_get(json_object_get(noise, "settings"), "properties");
    assert_int_equal(json_object_size(settings), 2);
    const json_t *curves = json_object_get(json_object_get(schemas, "series"), "anyOf");
    assert_int_equal(json_array_size(curves), 3);
    const json_t *played = json_object_get(json_object_get(schemas, "played"), "anyOf");
    assert_int_equal(json_array_size(played), 2);
    assert_int_equal(
        json_array_size(json_object_get(json_object_get(schemas, "analysis"), "allOf")),
        2);
    json_decref(schemas);
    catalogue_free(catalogue);
}

static void settings_are_those_of_the_measurement_named(void **state)
{
    (void)state;
    struct catalogue *catalogue = made_up();
    json_t *rules = schemas_measured_choice(catalogue);
    assert_equal(rules, "[{\"if\":{\"type\":\"object\",\"properties\":{\"measurement\":"
                        "{\"const\":\"distortion\"}}},\"then\":{\"type\":\"object\","
                        "\"properties\":{\"settings\":{\"$ref\":"
                        "\"#/components/schemas/settings_distortion\"}}}}]");
    json_t *schemas = json_pack("{s:{}}", "analysis");
    assert_true(schemas_measured_add(schemas, catalogue));
    assert_true(json_equal(json_object_get(json_object_get(schemas, "analysis"), "allOf"),
                           rules));
    json_decref(schemas);
    json_decref(rules);
    catalogue_free(catalogue);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(settings_have_their_types_and_limits),
        cmocka_unit_test(results_have_exactly_what_is_described),
        cmocka_unit_test(several_measurements_stay_apart),
        cmocka_unit_test(settings_are_those_of_the_measurement_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
