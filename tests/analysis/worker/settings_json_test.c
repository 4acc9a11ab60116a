#include "analysis/worker/settings_json.h"

#include <string.h>

#include "analysis/worker/json_build.h"
#include "tests/analysis/worker/made_up.h"

static bool read_text(const char *text, struct settings *ret, struct problem *problem)
{
    json_t *object = json_loads(text, JSON_DECODE_ANY, NULL);
    assert_non_null(object);
    bool good = settings_json_read(&made_up.description, object, ret, problem);
    json_decref(object);
    return good;
}

static char *written(const struct settings *settings)
{
    json_t *object = settings_json_write(settings);
    assert_non_null(object);
    char *text = json_dumps(object, JSON_BUILD_FLAGS);
    json_decref(object);
    return text;
}

/* Each accepted text, and what is written of it where that differs from the defaults. */
static void accepted_settings_are_written_with_defaults(void **state)
{
    (void)state;
    static const struct {
        const char *given, *want;
    } cases[] = {
        {"{}",
         "{\"channels\":null,\"start_s\":0,\"duration_s\":null,\"band_hz\":[20,20000],"
         "\"harmonics\":10,\"bits\":16,\"kind\":\"auto\",\"notch\":\"band\",\"load\":"
         "null}"},
        {"{\"load\":null,\"harmonics\":null,\"band_hz\":null,\"channels\":null}",
         "{\"channels\":null,\"start_s\":0,\"duration_s\":null,\"band_hz\":[20,20000],"
         "\"harmonics\":10,\"bits\":16,\"kind\":\"auto\",\"notch\":\"band\",\"load\":"
         "null}"},
        {"{\"load\":-32.5,\"notch\":1.2,\"kind\":\"smpte\",\"bits\":24,\"harmonics\":2.0,"
         "\"band_hz\":[1,384000],\"duration_s\":0.1,\"start_s\":14400,\"channels\":[2,1,"
         "16]}",
         "{\"channels\":[2,1,16],\"start_s\":14400,\"duration_s\":0.1,\"band_hz\":[1,"
         "384000],"
         "\"harmonics\":2,\"bits\":24,\"kind\":\"smpte\",\"notch\":1.2,\"load\":-32.5}"},
        {"{\"notch\":3,\"harmonics\":100}",
         "{\"channels\":null,\"start_s\":0,\"duration_s\":null,\"band_hz\":[20,20000],"
         "\"harmonics\":100,\"bits\":16,\"kind\":\"auto\",\"notch\":3,\"load\":null}"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct settings settings;
        struct problem problem = {0};
        assert_true(read_text(cases[i].given, &settings, &problem));
        char *text = written(&settings);
        assert_string_equal(text, cases[i].want);
        free(text);
    }
}

static void nothing_stands_for_an_empty_object(void **state)
{
    (void)state;
    struct settings settings;
    struct problem problem = {0};
    assert_true(settings_json_read(&made_up.description, NULL, &settings, &problem));
    assert_ptr_equal(settings.description, &made_up.description);
    assert_false(settings.values[SETTING_COMMON_CHANNELS].given);
    assert_false(settings.values[SETTING_COMMON_DURATION_S].given);
    assert_true(settings.values[SETTING_COMMON_BAND_HZ].given);
    assert_close(settings.values[SETTING_COMMON_BAND_HZ].range[0], 20, 0);
    assert_close(settings.values[SETTING_COMMON_BAND_HZ].range[1], 20000, 0);
    assert_close(settings.values[MADE_UP_HARMONICS].number, 10, 0);
    assert_int_equal(settings.values[MADE_UP_NOTCH].choice, 0);
}

static void values_are_read(void **state)
{
    (void)state;
    struct settings settings;
    struct problem problem = {0};
    assert_true(read_text("{\"notch\":2.5,\"kind\":\"smpte\",\"channels\":[3,1]}",
                          &settings, &problem));
    assert_int_equal(settings.values[MADE_UP_NOTCH].choice, -1);
    assert_close(settings.values[MADE_UP_NOTCH].number, 2.5, 0);
    assert_int_equal(settings.values[MADE_UP_KIND].choice, 1);
    assert_int_equal(settings.values[SETTING_COMMON_CHANNELS].list_count, 2);
    assert_int_equal(settings.values[SETTING_COMMON_CHANNELS].list[0], 3);
    assert_int_equal(settings.values[SETTING_COMMON_CHANNELS].list[1], 1);
}

/* Each refused text with the field and a piece of the sentence. */
static void refused_settings_are_named(void **state)
{
    (void)state;
    static const struct {
        const char *given;
        enum problem_kind kind;
        const char *field, *says;
    } cases[] = {
        {"[]", PROBLEM_OUT_OF_RANGE, "", "object"},
        {"\"x\"", PROBLEM_OUT_OF_RANGE, "", "object"},
        {"{\"harmonicks\":3}", PROBLEM_UNKNOWN_FIELD, "harmonicks",
         "knows channels, start_s"},
        {"{\"Harmonics\":3}", PROBLEM_UNKNOWN_FIELD, "Harmonics",
         "there is no Harmonics."},
        {"{\"\":3}", PROBLEM_UNKNOWN_FIELD, "", "there is no ."},
        {"{\"harmonics\":1}", PROBLEM_OUT_OF_RANGE, "harmonics",
         "from 2 to 100; it is 1."},
        {"{\"harmonics\":101}", PROBLEM_OUT_OF_RANGE, "harmonics", "101"},
        {"{\"harmonics\":2.5}", PROBLEM_OUT_OF_RANGE, "harmonics", "whole number"},
        {"{\"harmonics\":\"10\"}", PROBLEM_OUT_OF_RANGE, "harmonics", "\"10\""},
        {"{\"harmonics\":true}", PROBLEM_OUT_OF_RANGE, "harmonics", "true"},
        {"{\"harmonics\":[]}", PROBLEM_OUT_OF_RANGE, "harmonics", "[]"},
        {"{\"bits\":20}", PROBLEM_OUT_OF_RANGE, "bits", "16, 24 bit"},
        {"{\"bits\":\"16\"}", PROBLEM_OUT_OF_RANGE, "bits", "16, 24 bit"},
        {"{\"start_s\":-0.001}", PROBLEM_OUT_OF_RANGE, "start_s", "from 0 to 14400 s"},
        {"{\"start_s\":14400.001}", PROBLEM_OUT_OF_RANGE, "start_s", "14400.001"},
        {"{\"duration_s\":0.09}", PROBLEM_OUT_OF_RANGE, "duration_s", "from 0.1"},
        {"{\"duration_s\":false}", PROBLEM_OUT_OF_RANGE, "duration_s", "false"},
        {"{\"band_hz\":20}", PROBLEM_OUT_OF_RANGE, "band_hz", "two ascending numbers"},
        {"{\"band_hz\":[20]}", PROBLEM_OUT_OF_RANGE, "band_hz", "[20]"},
        {"{\"band_hz\":[20,30,40]}", PROBLEM_OUT_OF_RANGE, "band_hz", "[20,30,40]"},
        {"{\"band_hz\":[20000,20]}", PROBLEM_OUT_OF_RANGE, "band_hz", "ascending"},
        {"{\"band_hz\":[20,20]}", PROBLEM_OUT_OF_RANGE, "band_hz", "ascending"},
        {"{\"band_hz\":[0.5,20]}", PROBLEM_OUT_OF_RANGE, "band_hz",
         "from 1 to 384000 Hz"},
        {"{\"band_hz\":[20,\"20k\"]}", PROBLEM_OUT_OF_RANGE, "band_hz", "20k"},
        {"{\"kind\":\"Auto\"}", PROBLEM_OUT_OF_RANGE, "kind", "auto, smpte"},
        {"{\"kind\":1}", PROBLEM_OUT_OF_RANGE, "kind", "auto, smpte"},
        {"{\"notch\":\"wide\"}", PROBLEM_OUT_OF_RANGE, "notch",
         "band, or a number from 1.2"},
        {"{\"notch\":1.1}", PROBLEM_OUT_OF_RANGE, "notch", "1.1"},
        {"{\"kind\":\"µµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµµ\"}", PROBLEM_OUT_OF_RANGE,
         "kind", "\\u00B5"},
        {"{\"load\":\"32\"}", PROBLEM_OUT_OF_RANGE, "load", "a number in ohm"},
        {"{\"channels\":1}", PROBLEM_OUT_OF_RANGE, "channels", "array"},
        {"{\"channels\":[]}", PROBLEM_OUT_OF_RANGE, "channels", "[]"},
        {"{\"channels\":[0]}", PROBLEM_OUT_OF_RANGE, "channels", "[0]"},
        {"{\"channels\":[17]}", PROBLEM_OUT_OF_RANGE, "channels", "from 1 to 16"},
        {"{\"channels\":[1,1]}", PROBLEM_OUT_OF_RANGE, "channels", "distinct"},
        {"{\"channels\":[1.0]}", PROBLEM_OUT_OF_RANGE, "channels", "[1.0]"},
        {"{\"channels\":[1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20,21,22,23]}",
         PROBLEM_OUT_OF_RANGE, "channels", "…"},
        {"{\"channels\":[4294967297]}", PROBLEM_OUT_OF_RANGE, "channels", "4294967297"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct settings settings;
        struct problem problem = {0};
        bool good = read_text(cases[i].given, &settings, &problem);
        if (good || !strstr(problem.detail, cases[i].says))
            print_error("%s: %s\n", cases[i].given, problem.detail);
        assert_false(good);
        assert_int_equal(problem.kind, cases[i].kind);
        assert_string_equal(problem.field, cases[i].field);
        assert_non_null(strstr(problem.detail, cases[i].says));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(accepted_settings_are_written_with_defaults),
        cmocka_unit_test(nothing_stands_for_an_empty_object),
        cmocka_unit_test(values_are_read),
        cmocka_unit_test(refused_settings_are_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
