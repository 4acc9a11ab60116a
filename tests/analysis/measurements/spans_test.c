/* Whole blocks of 50 ms, less one at each end of a steady part: steady.h. */
#include "analysis/measurements/spans.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

static const struct setting_description table[] = {MEASUREMENT_COMMON_SETTINGS};
static const struct description description = {
    .name = "made-up", .settings = table, .setting_count = SETTING_COMMON_COUNT};

static double sample(int64_t n, int channel, void *context)
{
    (void)channel;
    (void)context;
    return 0.1 * sin(2 * M_PI * synthetic_turns(997, 0, 0, 48000, n));
}

static void part_is_within_what_the_settings_choose(void **state)
{
    struct synthetic synthetic = {48000, 1, 4, 0, sample, NULL};
    struct steady_span steady[1], clean[1];
    struct problem problem = {0};
    struct settings settings;
    struct capture *capture = NULL;
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    synthetic_defaults(&description, &settings);
    settings.values[SETTING_COMMON_START_S].number = 1;
    settings.values[SETTING_COMMON_DURATION_S] =
        (struct setting_value){.given = true, .number = 2};
    assert_true(capture_open(descriptor, &capture, &problem));
    struct measurement_input input = {.capture = capture, .settings = &settings};
    assert_true(spans_find(&input, SPANS_STEADY, NULL, steady, clean, &problem));
    assert_int_equal(clean[0].first_frame, 48000);
    assert_int_equal(clean[0].frames, 2 * 48000);
    assert_int_equal(steady[0].first_frame, 48000 + 2400);
    assert_int_equal(steady[0].frames, 2 * 48000 - 2 * 2400);
    capture_close(capture);
    close(descriptor);
}

static void band_beyond_half_the_rate_is_refused(void **state)
{
    struct settings settings;
    struct problem problem = {0};
    (void)state;
    synthetic_defaults(&description, &settings);
    assert_true(spans_check_band(&settings, 48000, &problem));
    settings.values[SETTING_COMMON_BAND_HZ].range[0] = 24000;
    assert_false(spans_check_band(&settings, 48000, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "band_hz");
    assert_non_null(strstr(problem.detail, "24000 Hz"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(part_is_within_what_the_settings_choose),
        cmocka_unit_test(band_beyond_half_the_rate_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
