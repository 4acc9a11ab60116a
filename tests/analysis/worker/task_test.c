#include "analysis/worker/task.h"

#include <string.h>

#include "analysis/capture/capture.h"
#include "analysis/worker/json_build.h"
#include "analysis/worker/wire.h"
#include "tests/analysis/capture/files.h"
#include "tests/analysis/worker/made_up.h"

static int recording(int channels)
{
    static const double silence[100 * 16];
    return files_written(SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, channels, silence, 100);
}

static double last_fraction;

static void keep_fraction(double fraction, void *context)
{
    (void)context;
    assert_between(fraction, last_fraction, 1);
    last_fraction = fraction;
}

/* floor NULL: none */
static bool run_above(int capture, const int *floor, const char *settings,
                      json_t **ret_body, struct problem *problem)
{
    json_t *object = settings ? json_loads(settings, 0, NULL) : NULL;
    int result = memfd_create("test", MFD_CLOEXEC);
    struct progress progress = {keep_fraction, NULL};
    struct task_measure task = {.settings = object,
                                .capture = capture,
                                .result = result,
                                .floor = floor,
                                .progress = &progress};
    last_fraction = 0;
    bool good = task_measure(&made_up, &task, problem);
    struct wire_result_header header;
    *ret_body = NULL;
    if (good) {
        static char body[1 << 16];
        assert_int_equal(pread(result, &header, sizeof header, 0), sizeof header);
        assert_int_equal(pread(result, body, header.body_bytes, 32), header.body_bytes);
        *ret_body = json_loadb(body, header.body_bytes, 0, NULL);
        assert_non_null(*ret_body);
    } else {
        assert_int_equal(lseek(result, 0, SEEK_END), 0);
    }
    json_decref(object);
    close(result);
    return good;
}

static bool run(int capture, const char *settings, json_t **ret_body,
                struct problem *problem)
{
    return run_above(capture, NULL, settings, ret_body, problem);
}

static json_int_t channel_at(const json_t *body, size_t index)
{
    const json_t *channels = json_object_get(body, "channels");
    return json_integer_value(
        json_object_get(json_array_get(channels, index), "channel"));
}

static void all_channels_are_measured_unless_told(void **state)
{
    (void)state;
    int capture = recording(5);
    struct problem problem = {0};
    json_t *body;
    made_up_behaviour = MADE_UP_GOOD;
    assert_true(run(capture, NULL, &body, &problem));
    assert_int_equal(json_array_size(json_object_get(body, "channels")), 5);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(channel_at(body, i), i + 1);
    json_decref(body);
    assert_true(run(capture, "{\"channels\":[5,2]}", &body, &problem));
    assert_int_equal(json_array_size(json_object_get(body, "channels")), 2);
    assert_int_equal(channel_at(body, 0), 5);
    assert_int_equal(channel_at(body, 1), 2);
    json_decref(body);
    close(capture);
}

static void absent_channel_is_refused(void **state)
{
    (void)state;
    int capture = recording(1);
    struct problem problem = {0};
    json_t *body;
    assert_false(run(capture, "{\"channels\":[1,2]}", &body, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "channels");
    assert_string_equal(problem.detail,
                        "Channel 2 was asked for; the recording has 1 channel.");
    close(capture);
}

static void problems_of_each_step_come_through(void **state)
{
    (void)state;
    static const struct {
        const char *settings;
        enum made_up_behaviour behaviour;
        enum problem_kind kind;
    } cases[] = {
        {"{\"misspelt\":1}", MADE_UP_GOOD, PROBLEM_UNKNOWN_FIELD},
        {"{}", MADE_UP_FAILS, PROBLEM_NOT_MEASURABLE},
        {"{}", MADE_UP_RUNS_OUT, PROBLEM_OUT_OF_MEMORY},
    };
    int capture = recording(2);
    for (size_t i = 0; i < 3; i++) {
        struct problem problem = {0};
        json_t *body;
        made_up_behaviour = cases[i].behaviour;
        assert_false(run(capture, cases[i].settings, &body, &problem));
        assert_int_equal(problem.kind, cases[i].kind);
    }
    close(capture);
    int words = files_descriptor("nothing but words in here", 25);
    struct problem problem = {0};
    json_t *body;
    assert_false(run(words, "{}", &body, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_AUDIO);
    close(words);
    made_up_behaviour = MADE_UP_GOOD;
}

static const char *warning_at(const json_t *body, size_t index, const char *name)
{
    const json_t *warnings = json_object_get(body, "warnings");
    return json_string_value(json_object_get(json_array_get(warnings, index), name));
}

/* The made-up recording is its own floor: a bound of −120.5 dB may hide as much again of
 * opposite phase, 20·log10(2) dB more. The measurement tells half its way each time. */
static void floor_is_measured_first_and_applied(void **state)
{
    (void)state;
    int capture = recording(2), floor = recording(3);
    struct problem problem = {0};
    json_t *body;
    made_up_behaviour = MADE_UP_GOOD;
    assert_true(run(capture, "{}", &body, &problem));
    assert_close(last_fraction, 0.5, 0);
    json_decref(body);
    assert_true(run_above(capture, &floor, "{}", &body, &problem));
    assert_close(last_fraction, 0.75, 0);
    assert_int_equal(json_array_size(json_object_get(body, "channels")), 2);
    const json_t *channel = json_array_get(json_object_get(body, "channels"), 1);
    const json_t *thd = json_object_get(json_object_get(channel, "figures"), "thd");
    assert_close(json_number_value(json_object_get(thd, "bound")), -120.5 + 20 * log10(2),
                 1e-9);
    /* two of the recording's own, one a channel, then the floor's two */
    assert_int_equal(json_array_size(json_object_get(body, "warnings")), 6);
    assert_string_equal(warning_at(body, 2, "code"), "near_instrument_floor");
    assert_string_equal(warning_at(body, 3, "code"), "near_instrument_floor");
    assert_string_equal(warning_at(body, 4, "code"), "clock_offset");
    assert_string_equal(warning_at(body, 4, "message"),
                        "In the floor capture: Tone 37 ppm above nominal.");
    json_decref(body);
    close(capture);
    close(floor);
}

static int other_rate(int channels)
{
    static const double silence[100 * 16];
    return files_written(SF_FORMAT_WAV | SF_FORMAT_PCM_16, 96000, channels, silence, 100);
}

static void floor_that_does_not_go_with_the_recording_is_refused(void **state)
{
    (void)state;
    int capture = recording(2);
    const struct {
        int floor;
        enum made_up_behaviour behaviour;
        enum problem_kind kind;
        const char *field, *says;
    } cases[] = {
        {recording(1), MADE_UP_GOOD, PROBLEM_OUT_OF_RANGE, "floor_capture",
         "the floor capture has 1 channel;"},
        {other_rate(2), MADE_UP_GOOD, PROBLEM_OUT_OF_RANGE, "floor_capture",
         "96000 Hz, the recording 48000 Hz"},
        {files_descriptor("nothing but words in here", 25), MADE_UP_GOOD,
         PROBLEM_NOT_AUDIO, "floor_capture", "In the floor capture: "},
        {recording(2), MADE_UP_FAILS, PROBLEM_NOT_MEASURABLE, "floor_capture",
         "In the floor capture: No tone is there."},
        {recording(2), MADE_UP_REFUSES, PROBLEM_OUT_OF_RANGE, "band_hz",
         "Too high a band."},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct problem problem = {0};
        json_t *body;
        made_up_behaviour = cases[i].behaviour;
        assert_false(run_above(capture, &cases[i].floor, "{}", &body, &problem));
        assert_int_equal(problem.kind, cases[i].kind);
        assert_string_equal(problem.field, cases[i].field);
        assert_non_null(strstr(problem.detail, cases[i].says));
        close(cases[i].floor);
    }
    made_up_behaviour = MADE_UP_GOOD;
    /* only channels that are measured must be there */
    int floor = recording(1);
    struct problem problem = {0};
    json_t *body;
    assert_true(run_above(capture, &floor, "{\"channels\":[1]}", &body, &problem));
    json_decref(body);
    close(floor);
    close(capture);
}

static void inspection_tells_the_format(void **state)
{
    (void)state;
    static const double silence[24000 * 2];
    int capture =
        files_written(SF_FORMAT_AIFF | SF_FORMAT_PCM_24, 96000, 2, silence, 24000);
    struct problem problem = {0};
    json_t *answer = NULL;
    assert_true(task_inspect(capture, &answer, &problem));
    char *text = json_dumps(answer, JSON_BUILD_FLAGS);
    assert_string_equal(text,
                        "{\"format\":{\"container\":\"aiff\",\"encoding\":\"pcm_24\","
                        "\"sample_rate_hz\":96000,\"channels\":2,\"frames\":24000,"
                        "\"duration_s\":0.25},\"warnings\":[]}");
    free(text);
    json_decref(answer);
    close(capture);
}

/* STREAMINFO's 36 bits of frames, 0 for unknown (RFC 9639). */
static void unknown_length_is_null(void **state)
{
    (void)state;
    static const double silence[1000];
    int capture =
        files_written(SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 48000, 1, silence, 1000);
    unsigned char byte;
    assert_int_equal(pread(capture, &byte, 1, 21), 1);
    byte &= 0xF0;
    assert_int_equal(pwrite(capture, &byte, 1, 21), 1);
    assert_int_equal(pwrite(capture, "\0\0\0\0", 4, 22), 4);
    struct problem problem = {0};
    json_t *answer = NULL;
    assert_true(task_inspect(capture, &answer, &problem));
    const json_t *format = json_object_get(answer, "format");
    assert_true(json_is_null(json_object_get(format, "frames")));
    assert_true(json_is_null(json_object_get(format, "duration_s")));
    json_decref(answer);
    close(capture);
}

static int rendered_as(const char *container, const char *parameters, int64_t *ret_bytes)
{
    struct progress progress = {keep_fraction, NULL};
    int output = memfd_create("test", MFD_CLOEXEC);
    json_t *object = json_loads(parameters, 0, NULL);
    struct task_render task = {"tone", container, object, output, &progress};
    struct problem problem = {0};
    last_fraction = 0;
    assert_true(task_render(&task, ret_bytes, &problem));
    assert_close(last_fraction, 1, 0);
    json_decref(object);
    return output;
}

static int rendered(const char *parameters, int64_t *ret_bytes)
{
    return rendered_as("wav", parameters, ret_bytes);
}

static void flac_holds_the_samples_of_the_wav(void **state)
{
    (void)state;
    enum { FRAMES = 20000, CHANNELS = 3 };
    static double want[FRAMES * CHANNELS], got[FRAMES * CHANNELS];
    static const char *const containers[] = {"wav", "flac"};
    double *const samples[] = {want, got};
    for (int i = 0; i < 2; i++) {
        int64_t bytes, count;
        int output = rendered_as(containers[i],
                                 "{\"sample_rate_hz\":200000,\"channels\":3,"
                                 "\"duration_s\":0.1}",
                                 &bytes);
        struct capture *capture = NULL;
        struct problem problem = {0};
        assert_true(capture_open(output, &capture, &problem));
        assert_string_equal(capture_format(capture)->container, containers[i]);
        assert_int_equal(capture_format(capture)->frames, FRAMES);
        assert_true(capture_read(capture, samples[i], FRAMES, &count, &problem));
        assert_int_equal(count, FRAMES);
        capture_close(capture);
        close(output);
    }
    assert_memory_equal(got, want, sizeof got);
}

static void rendered_tone_is_a_recording(void **state)
{
    (void)state;
    int64_t bytes;
    int output = rendered("{\"sample_rate_hz\":192000,\"bits\":32,\"channels\":3,"
                          "\"duration_s\":0.5,\"frequency_hz\":48000,\"level_dbfs\":0,"
                          "\"dither\":\"none\"}",
                          &bytes);
    assert_int_equal(bytes, 68 + 96000 * 12);
    assert_int_equal(lseek(output, 0, SEEK_END), bytes);
    struct capture *capture = NULL;
    struct problem problem = {0};
    assert_true(capture_open(output, &capture, &problem));
    assert_int_equal(capture_format(capture)->frames, 96000);
    /* A quarter of the rate: 0, 1, 0, −1; the positive peak loses its last bit. */
    double got[12];
    int64_t count;
    assert_true(capture_read(capture, got, 4, &count, &problem));
    static const double want[] = {0, 1 - 0x1p-31, 0, -1};
    for (int i = 0; i < 12; i++)
        assert_close(got[i], want[i / 3], 0);
    capture_close(capture);
    close(output);
}

static void rendering_twice_gives_the_same_bytes(void **state)
{
    (void)state;
    static char first[1 << 20], second[1 << 20];
    int64_t bytes, again;
    int output = rendered("{\"duration_s\":1.5}", &bytes);
    assert_int_equal(pread(output, first, sizeof first, 0), bytes);
    close(output);
    output = rendered("{\"duration_s\":1.5}", &again);
    assert_int_equal(again, bytes);
    assert_int_equal(pread(output, second, sizeof second, 0), bytes);
    assert_memory_equal(first, second, (size_t)bytes);
    close(output);
}

static void impossible_renderings_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *signal, *format, *parameters, *field;
        enum problem_kind kind;
    } cases[] = {
        {"tune", "wav", "{}", "signal", PROBLEM_OUT_OF_RANGE},
        {"tone", "mp3", "{}", "format", PROBLEM_OUT_OF_RANGE},
        {"tone", "flac", "{\"bits\":32}", "bits", PROBLEM_OUT_OF_RANGE},
        {"tone", "flac", "{\"sample_rate_hz\":705600}", "sample_rate_hz",
         PROBLEM_OUT_OF_RANGE},
        {"tone", "wav", "{\"hertz\":1}", "hertz", PROBLEM_UNKNOWN_FIELD},
        {"tone", "wav", "{\"bits\":20}", "bits", PROBLEM_OUT_OF_RANGE},
        {"tone", "wav", "{\"frequency_hz\":24000}", "frequency_hz", PROBLEM_OUT_OF_RANGE},
        {"tone", "wav",
         "{\"sample_rate_hz\":768000,\"bits\":32,\"channels\":16,\"duration_s\":3600}",
         "duration_s", PROBLEM_OUT_OF_RANGE},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        json_t *object = json_loads(cases[i].parameters, 0, NULL);
        int output = memfd_create("test", MFD_CLOEXEC);
        struct task_render task = {cases[i].signal, cases[i].format, object, output,
                                   NULL};
        struct problem problem = {0};
        int64_t bytes;
        assert_false(task_render(&task, &bytes, &problem));
        assert_int_equal(problem.kind, cases[i].kind);
        assert_string_equal(problem.field, cases[i].field);
        json_decref(object);
        close(output);
    }
}

static void unknown_measurement_is_refused(void **state)
{
    (void)state;
    struct problem problem = {0};
    assert_non_null(task_find("distortion", &problem));
    assert_null(task_find("distorsion", &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "measurement");
    assert_non_null(strstr(problem.detail, "distorsion"));
}

/* Without health the container's own warnings remain: 100 frames of 200 are there. */
static void a_result_without_health_still_warns_of_the_container(void **state)
{
    (void)state;
    const struct files_wav wav = {1, 1, 48000, 16, 0, 400, 200};
    int capture = files_wav("RIFF", &wav, 0);
    json_t *body = NULL;
    made_up_behaviour = MADE_UP_GOOD;
    assert_true(run(capture, NULL, &body, NULL));
    const json_t *warnings = json_object_get(body, "warnings"), *warning;
    size_t i;
    int found = 0;
    json_array_foreach((json_t *)warnings, i, warning)
    {
        const char *code = json_string_value(json_object_get(warning, "code"));
        found += strcmp(code, "truncated") == 0;
    }
    assert_int_equal(found, 1);
    json_decref(body);
    close(capture);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_channels_are_measured_unless_told),
        cmocka_unit_test(absent_channel_is_refused),
        cmocka_unit_test(problems_of_each_step_come_through),
        cmocka_unit_test(floor_is_measured_first_and_applied),
        cmocka_unit_test(floor_that_does_not_go_with_the_recording_is_refused),
        cmocka_unit_test(inspection_tells_the_format),
        cmocka_unit_test(unknown_length_is_null),
        cmocka_unit_test(rendered_tone_is_a_recording),
        cmocka_unit_test(flac_holds_the_samples_of_the_wav),
        cmocka_unit_test(rendering_twice_gives_the_same_bytes),
        cmocka_unit_test(impossible_renderings_are_refused),
        cmocka_unit_test(unknown_measurement_is_refused),
        cmocka_unit_test(a_result_without_health_still_warns_of_the_container),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
