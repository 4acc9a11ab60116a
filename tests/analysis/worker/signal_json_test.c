#include "analysis/worker/signal_json.h"

#include <string.h>

#include "analysis/measurements/distortion.h"
#include "analysis/measurements/jitter.h"
#include "analysis/worker/settings_json.h"
#include "tests/support/support.h"

static json_t *parsed(const char *text)
{
    json_t *object = json_loads(text, 0, NULL);
    assert_non_null(object);
    return object;
}

static struct signal_json read_signal(const char *text)
{
    struct signal_json played;
    struct problem problem = {0};
    json_t *object = parsed(text);
    assert_true(signal_json_read(object, &played, &problem));
    json_decref(object);
    return played;
}

/* The value of frequency_hz that distortion takes; 0: not given. */
static double frequency_adopted(const char *signal, const char *settings)
{
    struct signal_json played = read_signal(signal);
    struct settings read;
    struct problem problem = {0};
    json_t *given = parsed(settings);
    assert_true(
        settings_json_read(&distortion_measurement.description, given, &read, &problem));
    struct settings before = read;
    signal_json_adopt(&played, given, &read);
    json_decref(given);
    assert_memory_equal(before.values, read.values,
                        SETTING_COMMON_COUNT * sizeof read.values[0]);
    for (int i = 0; i < read.description->setting_count; i++)
        if (strcmp(read.description->settings[i].name, "frequency_hz") == 0)
            return read.values[i].given ? read.values[i].number : 0;
    return -1;
}

static void signal_not_told_is_null(void **state)
{
    (void)state;
    struct signal_json played;
    struct problem problem = {0};
    assert_true(signal_json_read(NULL, &played, &problem));
    assert_null(played.signal);
    json_t *written = signal_json_write(&played);
    assert_true(json_is_null(written));
}

static void signal_is_written_with_all_its_parameters(void **state)
{
    (void)state;
    struct signal_json played =
        read_signal("{\"name\":\"tone\",\"parameters\":{\"frequency_hz\":1234.5}}");
    json_t *written = signal_json_write(&played);
    json_t *parameters = json_object_get(written, "parameters");
    assert_string_equal(json_string_value(json_object_get(written, "name")), "tone");
    assert_close(json_number_value(json_object_get(parameters, "frequency_hz")), 1234.5,
                 0);
    assert_close(json_number_value(json_object_get(parameters, "level_dbfs")), -1, 0);
    json_decref(written);
}

static void setting_left_out_takes_the_parameter_of_its_name(void **state)
{
    (void)state;
    const char *tone = "{\"name\":\"tone\",\"parameters\":{\"frequency_hz\":1234.5}}";
    assert_close(frequency_adopted(tone, "{}"), 1234.5, 0);
    assert_close(frequency_adopted(tone, "{\"frequency_hz\":null}"), 1234.5, 0);
    assert_close(frequency_adopted(tone, "{\"frequency_hz\":997}"), 997, 0);
}

static void parameter_of_another_name_or_beyond_the_limits_is_not_taken(void **state)
{
    (void)state;
    assert_close(frequency_adopted("{\"name\":\"white-noise\"}", "{}"), 0, 0);
    /* distortion begins at 5 Hz, a tone at 1 Hz */
    assert_close(frequency_adopted(
                     "{\"name\":\"tone\",\"parameters\":{\"frequency_hz\":2}}", "{}"),
                 0, 0);
}

/* A setting that takes a word or a number, from a parameter that is a number. */
static void a_number_is_taken_in_place_of_a_word(void **state)
{
    (void)state;
    struct signal_json played =
        read_signal("{\"name\":\"jitter-pattern\",\"parameters\":{\"pattern_bits\":16}}");
    struct settings read;
    struct problem problem = {0};
    json_t *given = parsed("{}");
    int found = 0;
    assert_true(
        settings_json_read(&jitter_measurement.description, given, &read, &problem));
    signal_json_adopt(&played, given, &read);
    json_decref(given);
    for (int i = 0; i < read.description->setting_count; i++)
        if (strcmp(read.description->settings[i].name, "pattern_bits") == 0) {
            found++;
            assert_int_equal(read.values[i].choice, -1);
            assert_close(read.values[i].number, 16, 0);
        }
    assert_int_equal(found, 1);
}

static void unknown_signal_is_refused_by_name(void **state)
{
    (void)state;
    struct signal_json played;
    struct problem problem = {0};
    json_t *object = parsed("{\"name\":\"birdsong\"}");
    assert_false(signal_json_read(object, &played, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "signal");
    assert_non_null(strstr(problem.detail, "birdsong"));
    json_decref(object);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(signal_not_told_is_null),
        cmocka_unit_test(signal_is_written_with_all_its_parameters),
        cmocka_unit_test(setting_left_out_takes_the_parameter_of_its_name),
        cmocka_unit_test(parameter_of_another_name_or_beyond_the_limits_is_not_taken),
        cmocka_unit_test(a_number_is_taken_in_place_of_a_word),
        cmocka_unit_test(unknown_signal_is_refused_by_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
