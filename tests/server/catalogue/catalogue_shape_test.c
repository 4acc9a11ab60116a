/* Each case spoils one place of a good description; the refusal must name that place. */
#include "server/catalogue/catalogue_shape.h"

#include <string.h>

#include "tests/server/catalogue/described.h"
#include "tests/support/support.h"

static const struct shape_case {
    const char *find, *put; /* the first occurrence is replaced */
    const char *place;
} cases[] = {
    {"\"engine\":{", "\"motor\":{", "engine is missing"},
    {"\"version\":\"0.1.0\"", "\"version\":1", "engine.version is not a text"},
    {"\"signals\":[", "\"signals\":null,\"x\":[", "signals is not an array"},
    {"\"name\":\"distortion\"", "\"name\":\"../lock\"", "measurements[0].name"},
    {"\"name\":\"distortion\"", "\"name\":\"\"", "measurements[0].name"},
    {"\"stimulus\":\"tone\",", "", "measurements[0].stimulus is missing"},
    {"\"type\":\"channels\"", "\"type\":\"colour\"", "measurements[0].settings[0].type"},
    {"\"name\":\"start_s\"", "\"name\":\"channels\"",
     "measurements[0].settings[1] has the name of another"},
    {"\"unit\":\"s\"", "\"unit\":null", "measurements[0].settings[1].unit"},
    {"\"default\":0,", "", "measurements[0].settings[1].default is missing"},
    {"\"default\":0,", "\"default\":-1,", "measurements[0].settings[1] has a default"},
    {"\"minimum\":0,", "\"minimum\":\"0\",", "measurements[0].settings[1].minimum"},
    {"\"minimum\":0,", "\"minimum\":14400,", "measurements[0].settings[1] has limits"},
    {"\"minimum\":0,", "\"minimum\":null,", "measurements[0].settings[1] has limits"},
    {"[\"band\"]", "[]", "measurements[0].settings[5].choices"},
    {"[\"band\"]", "null", "measurements[0].settings[5] has no words"},
    {"[\"band\"]", "[1]", "measurements[0].settings[5] has no words"},
    {"[16,24,32]", "[\"16\"]", "signals[0].parameters[0] has choices"},
    {"\"better\":\"lower\"", "\"better\":\"less\"", "measurements[0].figures[0].better"},
    {"\"floor\":\"harmonic\"", "\"floor\":\"low\"", "measurements[0].figures[0].floor"},
    {",\"floor\":\"harmonic\"", "", "measurements[0].figures[0].floor is missing"},
    {"\"type\":\"boolean\"", "\"type\":\"bool\"", "measurements[0].findings[0].type"},
    {"\"fields\":[", "\"fields\":{},\"x\":[", "measurements[0].lists[0].fields"},
    {"\"unit\":\"dBFS\"", "\"unity\":1", "measurements[0].series[0].y.unit is missing"},
    {"[\"wav\"]", "[]", "signals[0].formats"},
    {"[\"wav\"]", "[7]", "signals[0].formats"},
};

static void a_spoilt_place_is_named(void **state)
{
    const struct shape_case *row = *state;
    char text[sizeof described_text + 64];
    const char *at = strstr(described_text, row->find);
    assert_non_null(at);
    snprintf(text, sizeof text, "%.*s%s%s", (int)(at - described_text), described_text,
             row->put, at + strlen(row->find));
    json_t *described = json_loads(text, 0, NULL);
    assert_non_null(described);
    struct server_problem problem = {0};
    assert_false(catalogue_shape_check(described, &problem));
    json_decref(described);
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    if (strstr(problem.detail, row->place) == NULL)
        fail_msg("\"%s\" does not name \"%s\"", problem.detail, row->place);
}

static void a_good_description_is_accepted(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    json_t *described = described_new();
    assert_true(catalogue_shape_check(described, &problem));
    /* a later worker may say more */
    json_object_set_new(described, "colours", json_array());
    assert_true(catalogue_shape_check(described, &problem));
    json_decref(described);
    assert_false(catalogue_shape_check(NULL, &problem));
}

static void too_many_settings_are_refused(void **state)
{
    (void)state;
    json_t *described = described_new();
    json_t *settings = json_object_get(
        json_array_get(json_object_get(described, "measurements"), 0), "settings");
    struct server_problem problem = {0};
    while (json_array_size(settings) < CATALOGUE_SHAPE_MAX_SETTINGS) {
        json_t *one = json_deep_copy(json_array_get(settings, 1));
        char name[32];
        snprintf(name, sizeof name, "start_%zu", json_array_size(settings));
        json_object_set_new(one, "name", json_string(name));
        json_array_append_new(settings, one);
    }
    assert_true(catalogue_shape_check(described, &problem));
    json_t *last = json_deep_copy(json_array_get(settings, 1));
    json_object_set_new(last, "name", json_string("last"));
    json_array_append_new(settings, last);
    assert_false(catalogue_shape_check(described, &problem));
    assert_non_null(strstr(problem.detail, "measurements[0].settings has too many"));
    json_decref(described);
}

int main(void)
{
    enum { PLAIN = 2, CASES = sizeof cases / sizeof cases[0] };
    struct CMUnitTest tests[PLAIN + CASES] = {
        cmocka_unit_test(a_good_description_is_accepted),
        cmocka_unit_test(too_many_settings_are_refused),
    };
    for (size_t i = 0; i < CASES; i++)
        tests[PLAIN + i] = (struct CMUnitTest){cases[i].place, a_spoilt_place_is_named,
                                               NULL, NULL, (void *)&cases[i]};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
