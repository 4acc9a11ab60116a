#include "analysis/worker/task_health.h"

#include <math.h>
#include <unistd.h>

#include "tests/analysis/capture/files.h"

static bool examine(int capture, const char *signal, json_t **ret,
                    struct problem *problem)
{
    struct task_health task = {.capture = capture, .cache = fft_cache_new()};
    json_t *played = signal ? json_loads(signal, JSON_DECODE_ANY, NULL) : NULL;
    task.signal = played;
    bool good = task_health(&task, ret, problem);
    fft_cache_free(task.cache);
    json_decref(played);
    return good;
}

static int tone(void)
{
    static double samples[48000];
    for (int n = 0; n < 48000; n++)
        samples[n] = 0.5 * sin(2 * M_PI * 997 * n / 48000);
    return files_written(SF_FORMAT_WAV | SF_FORMAT_FLOAT, 48000, 1, samples, 48000);
}

static void format_health_and_suggestions_are_given(void **state)
{
    (void)state;
    int capture = tone();
    json_t *answer = NULL;
    assert_true(examine(capture, NULL, &answer, NULL));
    assert_int_equal(json_object_size(answer), 3);
    assert_int_equal(
        json_integer_value(json_object_get(json_object_get(answer, "format"), "frames")),
        48000);
    const json_t *health = json_object_get(answer, "health");
    assert_int_equal(json_object_size(health), 2);
    assert_int_equal(json_array_size(json_object_get(health, "channels")), 1);
    assert_true(json_is_array(json_object_get(answer, "suggested")));
    json_decref(answer);
    close(capture);
}

static void signals_that_are_none_are_refused(void **state)
{
    static const struct {
        const char *signal;
        enum problem_kind kind;
        const char *field;
    } rows[] = {
        {"{}", PROBLEM_OUT_OF_RANGE, "signal"},
        {"{\"name\":\"none\"}", PROBLEM_OUT_OF_RANGE, "signal"},
        {"{\"name\":\"tone\",\"parameters\":{\"no\":1}}", PROBLEM_UNKNOWN_FIELD, "no"},
        {"{\"name\":\"tone\",\"parameters\":{\"bits\":17}}", PROBLEM_OUT_OF_RANGE,
         "bits"},
    };
    (void)state;
    int capture = tone();
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct problem problem = {0};
        json_t *answer = NULL;
        assert_false(examine(capture, rows[i].signal, &answer, &problem));
        assert_int_equal(problem.kind, rows[i].kind);
        assert_string_equal(problem.field, rows[i].field);
    }
    close(capture);
}

static void a_sample_that_is_no_number_is_told_with_its_place(void **state)
{
    (void)state;
    static double samples[2 * 5000];
    samples[2 * 4321 + 1] = NAN;
    int capture = files_written(SF_FORMAT_WAV | SF_FORMAT_FLOAT, 48000, 2, samples, 5000);
    struct problem problem = {0};
    json_t *answer = NULL;
    assert_false(examine(capture, NULL, &answer, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_FINITE);
    assert_non_null(strstr(problem.detail, "Channel 2"));
    assert_non_null(strstr(problem.detail, "frame 4321"));
    close(capture);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(format_health_and_suggestions_are_given),
        cmocka_unit_test(signals_that_are_none_are_refused),
        cmocka_unit_test(a_sample_that_is_no_number_is_told_with_its_place),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
