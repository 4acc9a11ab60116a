#include "analysis/worker/describe.h"

#include <string.h>

#include "analysis/measurements/registry.h"
#include "analysis/signals/signal.h"
#include "analysis/worker/json_build.h"
#include "analysis/worker/settings_json.h"
#include "tests/analysis/worker/made_up.h"

/* The shape is the one that the catalogue's header documents. */
static void measurement_is_described_whole(void **state)
{
    (void)state;
    static const char want[] =
        "{\"name\":\"made-up\",\"summary\":\"nothing real\",\"stimulus\":\"none\","
        "\"settings\":["
        "{\"name\":\"channels\",\"type\":\"channels\",\"unit\":\"\",\"default\":null,"
        "\"minimum\":1,\"maximum\":16,\"choices\":null,"
        "\"meaning\":\"channels\"},"
        "{\"name\":\"start_s\",\"type\":\"number\",\"unit\":\"s\",\"default\":0,"
        "\"minimum\":0,\"maximum\":14400,\"choices\":null,"
        "\"meaning\":\"start\"},"
        "{\"name\":\"duration_s\",\"type\":\"number\",\"unit\":\"s\",\"default\":null,"
        "\"minimum\":0.1,\"maximum\":14400,\"choices\":null,"
        "\"meaning\":\"duration\"},"
        "{\"name\":\"band_hz\",\"type\":\"range\",\"unit\":\"Hz\",\"default\":[20,20000],"
        "\"minimum\":1,\"maximum\":384000,\"choices\":null,"
        "\"meaning\":\"band\"},"
        "{\"name\":\"harmonics\",\"type\":\"integer\",\"unit\":\"\",\"default\":10,"
        "\"minimum\":2,\"maximum\":100,\"choices\":null,\"meaning\":\"highest order\"},"
        "{\"name\":\"bits\",\"type\":\"integer\",\"unit\":\"bit\",\"default\":16,"
        "\"minimum\":16,\"maximum\":24,\"choices\":[16,24],\"meaning\":\"bits\"},"
        "{\"name\":\"kind\",\"type\":\"choice\",\"unit\":\"\",\"default\":\"auto\","
        "\"minimum\":null,\"maximum\":null,\"choices\":[\"auto\",\"smpte\"],"
        "\"meaning\":\"kind\"},"
        "{\"name\":\"notch\",\"type\":\"choice_or_number\",\"unit\":\"\","
        "\"default\":\"band\",\"minimum\":1.2,\"maximum\":3,\"choices\":[\"band\"],"
        "\"meaning\":\"notch\"},"
        "{\"name\":\"load\",\"type\":\"number\",\"unit\":\"ohm\",\"default\":null,"
        "\"minimum\":null,\"maximum\":null,\"choices\":null,\"meaning\":\"load\"}],"
        "\"figures\":["
        "{\"name\":\"level\",\"unit\":\"dBFS\",\"definition\":\"level\","
        "\"source\":\"AES17\",\"better\":\"none\",\"floor\":\"none\"},"
        "{\"name\":\"thd\",\"unit\":\"dB\",\"definition\":\"distortion\","
        "\"source\":\"common practice\",\"better\":\"lower\","
        "\"floor\":\"harmonic\"}],"
        "\"findings\":[{\"name\":\"overload\",\"type\":\"boolean\","
        "\"definition\":\"flat tops\"}],"
        "\"lists\":[{\"name\":\"harmonics\",\"definition\":\"each of them\",\"fields\":["
        "{\"name\":\"order\",\"type\":\"number\",\"unit\":\"\"},"
        "{\"name\":\"level_dbc\",\"type\":\"number\",\"unit\":\"dBc\"},"
        "{\"name\":\"aliased\",\"type\":\"boolean\",\"unit\":\"\"},"
        "{\"name\":\"origin\",\"type\":\"word\",\"unit\":\"\"}]}],"
        "\"series\":["
        "{\"name\":\"spectrum\",\"definition\":\"levels\","
        "\"x\":{\"name\":\"frequency\",\"unit\":\"Hz\"},"
        "\"y\":{\"name\":\"level\",\"unit\":\"dBFS\"}},"
        "{\"name\":\"error\",\"definition\":\"errors\","
        "\"x\":{\"name\":\"level\",\"unit\":\"dBFS\"},"
        "\"y\":{\"name\":\"error\",\"unit\":\"dB\"}}]}";
    json_t *object = describe_measurement(&made_up.description);
    char *text = json_dumps(object, JSON_BUILD_FLAGS);
    assert_string_equal(text, want);
    free(text);
    json_decref(object);
}

static void everything_registered_is_described(void **state)
{
    (void)state;
    json_t *all = describe_all();
    assert_non_null(all);
    assert_int_equal(json_object_size(all), 3);
    assert_string_equal(
        json_string_value(json_object_get(json_object_get(all, "engine"), "version")),
        RESIDUUM_VERSION);
    const json_t *measurements = json_object_get(all, "measurements");
    assert_int_equal(json_array_size(measurements), registry_count());
    assert_true(registry_count() > 0);
    for (int i = 0; i < registry_count(); i++) {
        const json_t *one = json_array_get(measurements, (size_t)i);
        assert_string_equal(json_string_value(json_object_get(one, "name")),
                            registry_get(i)->description.name);
    }
    const json_t *signals = json_object_get(all, "signals");
    assert_int_equal(json_array_size(signals), signal_count());
    for (int i = 0; i < signal_count(); i++) {
        const json_t *one = json_array_get(signals, (size_t)i);
        assert_string_equal(json_string_value(json_object_get(one, "name")),
                            signal_get(i)->description.name);
        assert_int_equal(json_array_size(json_object_get(one, "parameters")),
                         signal_get(i)->description.setting_count);
        assert_string_equal(
            json_string_value(json_array_get(json_object_get(one, "formats"), 0)), "wav");
    }
    json_decref(all);
}

/* Each default is a value that the table itself allows. */
static void defaults_are_valid(void **state)
{
    (void)state;
    for (int i = 0; i < registry_count() + signal_count(); i++) {
        const struct description *description =
            i < registry_count() ? &registry_get(i)->description
                                 : &signal_get(i - registry_count())->description;
        struct settings settings;
        struct problem problem = {0};
        if (!settings_json_read(description, NULL, &settings, &problem))
            print_error("%s: %s\n", description->name, problem.detail);
        assert_int_equal(problem.kind, PROBLEM_NONE);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(measurement_is_described_whole),
        cmocka_unit_test(everything_registered_is_described),
        cmocka_unit_test(defaults_are_valid),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
