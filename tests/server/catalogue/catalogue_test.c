/* What is allowed follows from the settings in described.h and the types in catalogue.h.
 */
#include "server/catalogue/catalogue.h"

#include <string.h>

#include "tests/server/catalogue/described.h"
#include "tests/support/support.h"

static struct catalogue *catalogue;

static int open_catalogue(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    json_t *described = described_new();
    assert_non_null(described);
    assert_true(catalogue_new(described, &catalogue, &problem));
    json_decref(described); /* the catalogue does not borrow it */
    return 0;
}

static int close_catalogue(void **state)
{
    (void)state;
    catalogue_free(catalogue);
    return 0;
}

struct check_case {
    const char *settings; /* of distortion */
    enum server_problem_code want;
    const char *field;
    const char *says; /* a part of the sentence */
};

#define NONE SERVER_PROBLEM_NONE
#define RANGE SERVER_PROBLEM_OUT_OF_RANGE
#define UNKNOWN SERVER_PROBLEM_UNKNOWN_FIELD

static const struct check_case cases[] = {
    {"{}", NONE, "", ""},
    {"{\"start_s\":0}", NONE, "", ""},
    {"{\"start_s\":14400}", NONE, "", ""},
    {"{\"start_s\":-0.001}", RANGE, "start_s", "0 to 14400 s; it is -0.001"},
    {"{\"start_s\":14400.1}", RANGE, "start_s", "it is 14400.1."},
    {"{\"start_s\":\"1\"}", RANGE, "start_s", "it is \"1\"."},
    {"{\"start_s\":true}", RANGE, "start_s", "a number from 0 to 14400 s"},
    {"{\"start_s\":[1]}", RANGE, "start_s", "a number"},
    {"{\"start_s\":null}", RANGE, "start_s", "it is null"},
    {"{\"frequency_hz\":null}", NONE, "", ""},
    {"{\"frequency_hz\":4.9}", RANGE, "frequency_hz",
     "5 to 384000 Hz, or null; it is 4.9"},
    {"{\"offset\":-1e300}", NONE, "", ""},
    {"{\"offset\":\"x\"}", RANGE, "offset", "a number in dB; it is \"x\""},
    {"{\"harmonics\":2}", NONE, "", ""},
    {"{\"harmonics\":100}", NONE, "", ""},
    {"{\"harmonics\":5.0}", NONE, "", ""},
    {"{\"harmonics\":1}", RANGE, "harmonics", "a whole number from 2 to 100; it is 1."},
    {"{\"harmonics\":101}", RANGE, "harmonics", "it is 101."},
    {"{\"harmonics\":2.5}", RANGE, "harmonics", "it is 2.5."},
    {"{\"harmonics\":99999999999999999}", RANGE, "harmonics", "99999999999999999"},
    {"{\"band_hz\":[20,20000]}", NONE, "", ""},
    {"{\"band_hz\":[1,384000]}", NONE, "", ""},
    {"{\"band_hz\":[20000,20]}", RANGE, "band_hz", "two ascending numbers from 1 to"},
    {"{\"band_hz\":[20,20]}", RANGE, "band_hz", "ascending"},
    {"{\"band_hz\":[20]}", RANGE, "band_hz", "two"},
    {"{\"band_hz\":[20,200,2000]}", RANGE, "band_hz", "it is [20,200,2000]."},
    {"{\"band_hz\":[0.5,200]}", RANGE, "band_hz", "1 to 384000 Hz"},
    {"{\"band_hz\":[20,384001]}", RANGE, "band_hz", "Hz"},
    {"{\"band_hz\":[20,\"high\"]}", RANGE, "band_hz", "Hz"},
    {"{\"band_hz\":\"wide\"}", RANGE, "band_hz", "it is \"wide\"."},
    {"{\"notch\":\"band\"}", NONE, "", ""},
    {"{\"notch\":1.2}", NONE, "", ""},
    {"{\"notch\":3}", NONE, "", ""},
    {"{\"notch\":3.01}", RANGE, "notch", "one of \"band\", or a number from 1.2 to 3"},
    {"{\"notch\":\"narrow\"}", RANGE, "notch", "it is \"narrow\"."},
    {"{\"channels\":[1]}", NONE, "", ""},
    {"{\"channels\":[2,1,16]}", NONE, "", ""},
    {"{\"channels\":[]}", RANGE, "channels", "distinct channel numbers from 1 to 16"},
    {"{\"channels\":[0]}", RANGE, "channels", "it is [0]."},
    {"{\"channels\":[17]}", RANGE, "channels", "it is [17]."},
    {"{\"channels\":[1,1]}", RANGE, "channels", "distinct"},
    {"{\"channels\":[1.5]}", RANGE, "channels", "channel"},
    {"{\"channels\":[-9223372036854775808]}", RANGE, "channels", "channel"},
    {"{\"channels\":1}", RANGE, "channels", "it is 1."},
    {"{\"harmonic\":3}", UNKNOWN, "harmonic",
     "There is no setting \"harmonic\"; did you mean \"harmonics\"? Known: channels, "
     "start_s, frequency_hz, band_hz, harmonics, notch, offset."},
    {"{\"colour\":3}", UNKNOWN, "colour", "no setting \"colour\". Known: channels"},
    {"{\"start_s\":1,\"Notch\":3}", UNKNOWN, "Notch", "did you mean \"notch\"?"},
    {"{\"\":1}", UNKNOWN, "", "There is no setting \"\"."},
    {"[]", RANGE, "", "must be a JSON object"},
};

static void settings_are_checked(void **state)
{
    const struct check_case *row = *state;
    const json_t *distortion = catalogue_measurement(catalogue, "distortion");
    json_t *settings = json_loads(row->settings, 0, NULL);
    assert_non_null(settings);
    struct server_problem problem = {0};
    assert_int_equal(catalogue_check_settings(distortion, settings, &problem),
                     row->want == NONE);
    json_decref(settings);
    assert_int_equal(problem.code, row->want);
    assert_string_equal(problem.field, row->field);
    if (strstr(problem.detail, row->says) == NULL)
        fail_msg("\"%s\" does not say \"%s\"", problem.detail, row->says);
}

struct text_case {
    const char *name, *text;
    const char *want; /* JSON, or NULL with the code */
    enum server_problem_code code;
    const char *says;
};

static const struct text_case texts[] = {
    {"frequency_hz", "997", "997", NONE, ""},
    {"frequency_hz", "1.5e3", "1500.0", NONE, ""},
    {"frequency_hz", "loud", NULL, RANGE, "1 to 384000 Hz; it is \"loud\"."},
    {"frequency_hz", "nan", NULL, RANGE, "it is \"nan\"."},
    {"frequency_hz", "1e999", NULL, RANGE, "it is \"1e999\"."},
    {"frequency_hz", "-1", NULL, RANGE, "it is -1."},
    {"frequency_hz", "", NULL, RANGE, "it is \"\"."},
    {"frequency_hz", "997 ", NULL, RANGE, "it is \"997 \"."},
    {"frequency_hz", " 997", NULL, RANGE, "it is \" 997\"."},
    {"frequency_hz", "997 Hz", NULL, RANGE, "it is \"997 Hz\"."},
    {"frequency_hz", "\xff", NULL, RANGE, "UTF-8"},
    {"bits", "24", "24", NONE, ""},
    {"bits", "17", NULL, RANGE, "one of 16, 24, 32 bit; it is 17."},
    {"dither", "tpdf", "\"tpdf\"", NONE, ""},
    {"dither", "none", "\"none\"", NONE, ""},
    {"dither", "\"tpdf\"", NULL, RANGE, "one of \"tpdf\", \"none\"; it is"},
    {"dither", "1", NULL, RANGE, "it is \"1\"."},
    {"span", "[1,2]", "[1,2]", NONE, ""},
    {"span", "null", "null", NONE, ""},
    {"span", "[2,1]", NULL, RANGE, "ascending"},
    {"fade", "short", "\"short\"", NONE, ""},
    {"fade", "0.5", "0.5", NONE, ""},
    {"fade", "2", NULL, RANGE, "one of \"short\", or a number from 0 to 1 s; it is 2."},
    {"frequenzy_hz", "997", NULL, UNKNOWN,
     "There is no parameter \"frequenzy_hz\"; did you mean \"frequency_hz\"?"},
};

static void parameters_are_read_from_text(void **state)
{
    const struct text_case *row = *state;
    const json_t *tone = catalogue_signal(catalogue, "tone");
    struct server_problem problem = {0};
    json_t *got = catalogue_parameter_from_text(tone, row->name, row->text, &problem);
    assert_int_equal(got != NULL, row->want != NULL);
    assert_int_equal(problem.code, row->code);
    if (row->want != NULL) {
        json_t *want = json_loads(row->want, JSON_DECODE_ANY, NULL);
        assert_true(json_equal(got, want));
        json_decref(want);
    } else {
        assert_string_equal(problem.field, row->name);
    }
    json_decref(got);
    if (strstr(problem.detail, row->says) == NULL)
        fail_msg("\"%s\" does not say \"%s\"", problem.detail, row->says);
}

static void what_is_described_can_be_found(void **state)
{
    (void)state;
    assert_string_equal(
        json_string_value(json_object_get(catalogue_engine(catalogue), "version")),
        "0.1.0");
    assert_int_equal(json_array_size(catalogue_measurements(catalogue)), 1);
    assert_int_equal(json_array_size(catalogue_signals(catalogue)), 1);
    assert_ptr_equal(catalogue_measurement(catalogue, "distortion"),
                     json_array_get(catalogue_measurements(catalogue), 0));
    assert_ptr_equal(catalogue_signal(catalogue, "tone"),
                     json_array_get(catalogue_signals(catalogue), 0));
    assert_null(catalogue_measurement(catalogue, "tone"));
    assert_null(catalogue_signal(catalogue, ""));
}

static void parameters_are_checked_as_an_object(void **state)
{
    (void)state;
    const json_t *tone = catalogue_signal(catalogue, "tone");
    json_t *good = json_pack("{s:i, s:s}", "bits", 16, "dither", "none");
    json_t *bad = json_pack("{s:i}", "bits", 20);
    struct server_problem problem = {0};
    assert_true(catalogue_check_parameters(tone, good, &problem));
    assert_false(catalogue_check_parameters(tone, bad, &problem));
    assert_string_equal(problem.field, "bits");
    json_decref(good);
    json_decref(bad);
}

/* A name of 3-byte characters: 63 bytes hold 20 of them and the 3-byte ellipsis. */
static void a_long_name_is_cut_between_characters(void **state)
{
    (void)state;
    char name[301];
    for (int i = 0; i < 100; i++)
        memcpy(name + 3 * i, "\xe2\x82\xac", 4);
    json_t *settings = json_object();
    json_object_set_new(settings, name, json_integer(1));
    struct server_problem problem = {0};
    assert_false(catalogue_check_settings(catalogue_measurement(catalogue, "distortion"),
                                          settings, &problem));
    json_decref(settings);
    assert_int_equal(strlen(problem.field), 63);
    json_t *field = json_string(problem.field), *detail = json_string(problem.detail);
    assert_non_null(field);
    assert_non_null(detail);
    json_decref(field);
    json_decref(detail);
}

int main(void)
{
    enum {
        PLAIN = 3,
        CASES = sizeof cases / sizeof cases[0],
        TEXTS = sizeof texts / sizeof texts[0],
    };
    struct CMUnitTest tests[PLAIN + CASES + TEXTS] = {
        cmocka_unit_test(what_is_described_can_be_found),
        cmocka_unit_test(parameters_are_checked_as_an_object),
        cmocka_unit_test(a_long_name_is_cut_between_characters),
    };
    for (size_t i = 0; i < CASES; i++)
        tests[PLAIN + i] = (struct CMUnitTest){cases[i].settings, settings_are_checked,
                                               NULL, NULL, (void *)&cases[i]};
    for (size_t i = 0; i < TEXTS; i++)
        tests[PLAIN + CASES + i] = (struct CMUnitTest){
            texts[i].text, parameters_are_read_from_text, NULL, NULL, (void *)&texts[i]};
    return cmocka_run_group_tests(tests, open_catalogue, close_catalogue);
}
