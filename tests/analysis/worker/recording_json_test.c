#include "analysis/worker/recording_json.h"

#include <math.h>
#include <unistd.h>

#include "tests/analysis/capture/files.h"

static struct capture *opened(int *ret_descriptor)
{
    static const double silence[200];
    struct capture *capture = NULL;
    *ret_descriptor =
        files_written(SF_FORMAT_WAV | SF_FORMAT_PCM_24, 48000, 2, silence, 100);
    assert_true(capture_open(*ret_descriptor, &capture, NULL));
    return capture;
}

static double number(const json_t *object, const char *name)
{
    const json_t *value = json_object_get(object, name);
    assert_true(json_is_number(value));
    return json_number_value(value);
}

/* Closed forms: 0.5 is −6.0206 dB; a mean square of 1/8 is a sine of that peak. */
static void a_channel_is_written_with_units(void **state)
{
    (void)state;
    int descriptor;
    struct capture *capture = opened(&descriptor);
    static struct health health = {.channel_count = 1, .frames = 100};
    health.channels[0] = (struct health_channel){
        .peak = 0.5,
        .mean_square = 0.125,
        .dc = -0.25,
        .bits_in_use = 16,
        .clipped = true,
        .clipped_samples = 12,
        .clipping_level = 0.5,
        .intersample_peak = NAN,
        .dropout_count = 1,
        .dropouts = {{71234, -1, -8.3, HEALTH_REPEATED}},
        .clean = {10, 90},
        .delay_frames = 0,
        .tone_hz = 997,
        .clock_offset_ppm = NAN,
    };
    json_t *object = recording_json_health(capture, &health);
    const json_t *channel = json_array_get(json_object_get(object, "channels"), 0);
    assert_close(number(channel, "peak_dbfs"), -6.0206, 1e-4);
    assert_close(number(channel, "rms_dbfs"), -6.0206, 1e-4);
    assert_close(number(channel, "dc_offset"), -0.25, 0);
    assert_int_equal(number(channel, "bits_in_use"), 16);
    const json_t *clipping = json_object_get(channel, "clipping");
    assert_true(json_is_true(json_object_get(clipping, "detected")));
    assert_close(number(clipping, "level_dbfs"), -6.0206, 1e-4);
    assert_true(json_is_null(json_object_get(channel, "intersample_peak_dbfs")));
    const json_t *dropout = json_array_get(json_object_get(channel, "dropouts"), 0);
    assert_int_equal(number(dropout, "frame"), 71234);
    assert_true(json_is_null(json_object_get(dropout, "length_frames")));
    assert_close(number(dropout, "phase_step_deg"), -8.3, 0);
    assert_string_equal(json_string_value(json_object_get(dropout, "kind")), "repeated");
    assert_int_equal(number(json_object_get(channel, "clean_span"), "first_frame"), 10);
    assert_true(json_is_null(json_object_get(channel, "clock_offset_ppm")));
    json_decref(object);
    capture_close(capture);
    close(descriptor);
}

static void silence_and_what_is_not_known_are_null(void **state)
{
    (void)state;
    int descriptor;
    struct capture *capture = opened(&descriptor);
    static struct health health = {.channel_count = 1, .frames = 100};
    health.channels[0] = (struct health_channel){.bits_in_use = -1,
                                                 .clipping_level = NAN,
                                                 .intersample_peak = NAN,
                                                 .delay_frames = NAN,
                                                 .tone_hz = NAN,
                                                 .clock_offset_ppm = NAN};
    static const char *const names[] = {
        "peak_dbfs",        "rms_dbfs",          "bits_in_use",
        "clean_span",       "tone_frequency_hz", "interchannel_delay_frames",
        "clock_offset_ppm",
    };
    json_t *object = recording_json_health(capture, &health);
    const json_t *channel = json_array_get(json_object_get(object, "channels"), 0);
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        assert_true(json_is_null(json_object_get(channel, names[i])));
    assert_true(json_is_null(
        json_object_get(json_object_get(channel, "clipping"), "level_dbfs")));
    json_decref(object);
    capture_close(capture);
    close(descriptor);
}

static void warnings_tell_the_channel_where_there_is_one(void **state)
{
    (void)state;
    int descriptor;
    struct capture *capture = opened(&descriptor);
    static struct health health = {.channel_count = 2};
    health.warning_count = 0;
    health_warn(&health, "clipping", 2, "Tops at %g dBFS.", -1.5);
    health_warn(&health, "truncated", 0, "Short.");
    json_t *object = recording_json_health(capture, &health);
    const json_t *warnings = json_object_get(object, "warnings");
    assert_int_equal(json_array_size(warnings), 2);
    assert_int_equal(number(json_array_get(warnings, 0), "channel"), 2);
    assert_string_equal(
        json_string_value(json_object_get(json_array_get(warnings, 0), "message")),
        "Tops at -1.5 dBFS.");
    assert_null(json_object_get(json_array_get(warnings, 1), "channel"));
    json_decref(object);
    capture_close(capture);
    close(descriptor);
}

static void frames_read_are_those_of_the_format(void **state)
{
    (void)state;
    int descriptor;
    struct capture *capture = opened(&descriptor);
    json_t *declared = recording_json_format(capture, -1);
    json_t *found = recording_json_format(capture, 48);
    assert_int_equal(number(declared, "frames"), 100);
    assert_int_equal(number(found, "frames"), 48);
    assert_close(number(found, "duration_s"), 0.001, 1e-15);
    assert_null(json_object_get(found, "md5"));
    json_decref(declared);
    json_decref(found);
    capture_close(capture);
    close(descriptor);
}

/* The names suggested, with blanks between. */
static void assert_suggested(const struct health *health, const struct signal *signal,
                             const char *want)
{
    char names[100] = "";
    json_t *array = recording_json_suggested(health, signal), *item;
    size_t i;
    assert_non_null(array);
    json_array_foreach(array, i, item)
    {
        strcat(names, i > 0 ? " " : "");
        strcat(names, json_string_value(json_object_get(item, "measurement")));
    }
    assert_string_equal(names, want);
    json_decref(array);
}

static void what_a_recording_holds_suggests_its_measurement(void **state)
{
    (void)state;
    static struct health health = {.channel_count = 2};
    struct health_channel *channels = health.channels;
    channels[0].tone_hz = channels[1].tone_hz = NAN;
    channels[0].mean_square = channels[1].mean_square = 0.1;
    assert_suggested(&health, NULL, "");
    channels[1].tone_hz = 997;
    assert_suggested(&health, NULL, "distortion");
    channels[1].mean_square = 0.5e-6; /* −60 dBFS */
    assert_suggested(&health, NULL, "noise");
    channels[1].tone_hz = NAN;
    assert_suggested(&health, NULL, "noise");
    channels[1].silent = true;
    assert_suggested(&health, NULL, "");
}

static void signal_told_suggests_what_it_is_made_for(void **state)
{
    (void)state;
    static struct health health = {.channel_count = 1};
    health.channels[0].tone_hz = 997;
    health.channels[0].mean_square = 0.1;
    assert_suggested(&health, signal_find("tone"), "distortion");
    assert_suggested(&health, signal_find("twin-tone"), "intermodulation");
    assert_suggested(&health, signal_find("multitone"), "multitone");
    assert_suggested(&health, signal_find("jitter-pattern"), "jitter");
    assert_suggested(&health, signal_find("white-noise"), "");
    health.channels[0].mean_square = 0.5e-6;
    assert_suggested(&health, signal_find("tone"), "distortion noise");
    assert_suggested(&health, signal_find("silence"), "noise");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_channel_is_written_with_units),
        cmocka_unit_test(silence_and_what_is_not_known_are_null),
        cmocka_unit_test(warnings_tell_the_channel_where_there_is_one),
        cmocka_unit_test(frames_read_are_those_of_the_format),
        cmocka_unit_test(what_a_recording_holds_suggests_its_measurement),
        cmocka_unit_test(signal_told_suggests_what_it_is_made_for),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
