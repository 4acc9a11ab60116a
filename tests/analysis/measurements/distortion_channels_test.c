/* `distortion` on several channels, on parts of recordings, and on recordings without a
 * tone. Expected values are closed forms of what was put in. */
#include "analysis/measurements/distortion.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

struct scene {
    int sample_rate_hz;
    double frequency_hz, tone_from_s, tone_to_s;
    double click_s, quieter_from_s;
    int64_t not_a_number_at; /* frame; −1: none */
    struct support_random random;
};

/* What each of the eight channels carries. */
enum { PLAIN, QUIETER, LATER, DISTORTED, SILENT, NOISE, CLIPPED, DC_ALONE };

static double tone(const struct scene *scene, int64_t n)
{
    return sin(2 * M_PI *
               synthetic_turns(scene->frequency_hz, 0, 0, scene->sample_rate_hz, n));
}

static double eight(int64_t n, int channel, void *context)
{
    struct scene *scene = context;
    double noise = 1e-6 * support_gaussian(&scene->random);
    switch (channel) {
    case PLAIN:
        return 0.5 * tone(scene, n) + noise;
    case QUIETER:
        return 0.5 * pow(10, -1.5 / 20) * tone(scene, n) + noise;
    case LATER:
        return 0.5 * tone(scene, n - 4) + noise;
    case DISTORTED:
        return 0.5 * tone(scene, n) + 5e-3 * tone(scene, n) * tone(scene, n) + noise;
    case NOISE:
        return 100 * noise;
    case CLIPPED:
        return fmax(-0.4, fmin(0.4, 0.5 * tone(scene, n)));
    case DC_ALONE:
        return 0.25;
    default:
        return 0;
    }
}

static struct scene scene_of(void)
{
    return (struct scene){.sample_rate_hz = 48000,
                          .frequency_hz = 997,
                          .tone_to_s = 1e9,
                          .click_s = -1,
                          .quieter_from_s = 1e9,
                          .not_a_number_at = -1,
                          .random = support_random_seed(51)};
}

static void channels_do_not_touch_each_other(void **state)
{
    struct scene scene = scene_of();
    struct synthetic synthetic = {48000, 8, 5, 0, eight, &scene};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&distortion_measurement, descriptor, NULL, &problem);
    (void)state;
    assert_non_null(report);
    assert_int_equal(report->channel_count, 8);
    for (int c = PLAIN; c <= LATER; c++)
        assert_close(synthetic_value(report, c, "noise_level"), -117.79, 0.1);
    assert_close(synthetic_value(report, PLAIN, "channel_level_difference"), 0, 0);
    assert_close(synthetic_value(report, QUIETER, "channel_level_difference"), -1.5,
                 1e-5);
    assert_close(synthetic_value(report, QUIETER, "channel_phase_difference"), 0, 1e-3);
    assert_close(synthetic_value(report, LATER, "channel_phase_difference"),
                 -360 * 997 * 4 / 48000.0, 1e-3);
    assert_close(synthetic_value(report, DISTORTED, "thd"), 20 * log10(2.5e-3 / 0.5),
                 1e-3);
    assert_close(synthetic_value(report, DISTORTED, "dc_offset"), 2.5e-3, 1e-7);
    assert_int_equal(synthetic_figure(report, SILENT, "thd")->reason,
                     REASON_DIGITAL_SILENCE);
    assert_int_equal(synthetic_figure(report, DC_ALONE, "sinad")->reason,
                     REASON_DIGITAL_SILENCE);
    assert_int_equal(synthetic_figure(report, NOISE, "sinad")->reason,
                     REASON_NOT_DETERMINABLE);
    assert_false(report->channels[SILENT].has_span);
    for (int c = PLAIN; c <= DISTORTED; c++)
        assert_false(report->channels[c].findings[0].flag);
    assert_true(report->channels[CLIPPED].findings[0].flag);
    report_free(report);
    close(descriptor);
}

static void chosen_channels_alone_are_measured(void **state)
{
    struct scene scene = scene_of();
    struct synthetic synthetic = {48000, 8, 3, 0, eight, &scene};
    struct problem problem = {0};
    struct settings settings;
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    synthetic_defaults(&distortion_measurement.description, &settings);
    settings.values[SETTING_COMMON_CHANNELS] = (struct setting_value){
        .given = true, .list = {QUIETER + 1, DISTORTED + 1}, .list_count = 2};
    struct report *report =
        synthetic_measure(&distortion_measurement, descriptor, &settings, &problem);
    assert_non_null(report);
    assert_int_equal(report->channel_count, 2);
    assert_int_equal(report->channels[0].channel, QUIETER + 1);
    assert_int_equal(synthetic_figure(report, 0, "channel_level_difference")->reason,
                     REASON_NO_REFERENCE);
    assert_close(synthetic_value(report, 1, "thd"), 20 * log10(2.5e-3 / 0.5), 1e-3);
    report_free(report);
    close(descriptor);
}

static double two_frequencies(int64_t n, int channel, void *context)
{
    struct scene scene = *(struct scene *)context;
    scene.frequency_hz += 3 * channel;
    return 0.5 * tone(&scene, n);
}

static void channels_of_different_tones_have_no_phase(void **state)
{
    struct scene scene = scene_of();
    struct synthetic synthetic = {48000, 2, 5, 0, two_frequencies, &scene};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&distortion_measurement, descriptor, NULL, &problem);
    (void)state;
    assert_non_null(report);
    assert_int_equal(synthetic_figure(report, 1, "channel_phase_difference")->reason,
                     REASON_NOT_DETERMINABLE);
    assert_close(synthetic_value(report, 1, "channel_level_difference"), 0, 1e-6);
    report_free(report);
    close(descriptor);
}

static double staged(int64_t n, int channel, void *context)
{
    struct scene *scene = context;
    double s = (double)n / scene->sample_rate_hz;
    double value = 1e-6 * support_gaussian(&scene->random);
    (void)channel;
    if (s >= scene->tone_from_s && s < scene->tone_to_s)
        value += (s < scene->quieter_from_s ? 0.1 : 0.05) * tone(scene, n);
    if (s >= scene->click_s && s < scene->click_s + 0.02)
        value += 0.8;
    return n == scene->not_a_number_at ? NAN : value;
}

static struct report *measure_staged(struct scene *scene, double duration_s,
                                     const struct settings *settings,
                                     struct problem *problem)
{
    struct synthetic synthetic = {scene->sample_rate_hz, 1, duration_s, 0, staged, scene};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&distortion_measurement, descriptor, settings, problem);
    close(descriptor);
    return report;
}

/* The tone fills a quarter of the recording; a click is louder than it. */
static void the_steady_part_is_found(void **state)
{
    struct scene scene = scene_of();
    struct problem problem = {0};
    (void)state;
    scene.tone_from_s = 8;
    scene.tone_to_s = 12;
    scene.click_s = 3;
    struct report *report = measure_staged(&scene, 16, NULL, &problem);
    assert_non_null(report);
    assert_between(report->channels[0].start_s, 8.04, 8.11);
    assert_between(report->channels[0].end_s, 11.2, 11.96);
    assert_close(synthetic_value(report, 0, "fundamental_level"), -20, 0.001);
    assert_close(synthetic_value(report, 0, "noise_level"), -117.79, 0.15);
    report_free(report);
}

/* start_s and duration_s choose one of two levels. */
static void a_part_can_be_chosen(void **state)
{
    static const struct {
        double start_s, level_dbfs;
    } rows[] = {{2, -20}, {9, -26.0206}};
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct scene scene = scene_of();
        struct settings settings;
        struct problem problem = {0};
        scene.quieter_from_s = 8;
        synthetic_defaults(&distortion_measurement.description, &settings);
        settings.values[SETTING_COMMON_START_S].number = rows[i].start_s;
        settings.values[SETTING_COMMON_DURATION_S] =
            (struct setting_value){.given = true, .number = 3};
        struct report *report = measure_staged(&scene, 16, &settings, &problem);
        assert_non_null(report);
        assert_between(report->channels[0].start_s, rows[i].start_s,
                       rows[i].start_s + 0.11);
        assert_between(report->channels[0].end_s, rows[i].start_s + 2,
                       rows[i].start_s + 3);
        assert_close(synthetic_value(report, 0, "fundamental_level"), rows[i].level_dbfs,
                     0.001);
        report_free(report);
    }
}

static void one_second_is_enough(void **state)
{
    static const int rates[] = {8000, 44100, 192000, 768000};
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct scene scene = scene_of();
        struct problem problem = {0};
        scene.sample_rate_hz = rates[i];
        struct report *report = measure_staged(&scene, 1, NULL, &problem);
        assert_non_null(report);
        assert_close(synthetic_value(report, 0, "fundamental_level"), -20, 0.001);
        assert_close(1e6 *
                         (synthetic_value(report, 0, "fundamental_frequency") / 997 - 1),
                     0, 0.05); /* 4 × the Cramér-Rao bound of 0.9 s at 80 dB or better */
        /* 1 s at 8 kHz holds two segments of at most 3 Hz a bin: no scatter to tell. */
        assert_true(rates[i] == 8000 || synthetic_figure(report, 0, "sinad")->u95 > 0);
        report_free(report);
    }
}

static void recordings_without_a_measurable_tone_are_refused(void **state)
{
    static const struct {
        double duration_s, frequency_hz, tone_to_s;
        enum problem_kind kind;
        const char *says;
    } rows[] = {{0.2, 997, 1e9, PROBLEM_NOT_MEASURABLE, "too short"},
                {5, 997, 0, PROBLEM_NOT_MEASURABLE, "No tone"},
                {0.03, 997, 1e9, PROBLEM_NOT_MEASURABLE, "at least 1 s"},
                {1.2, 22, 1e9, PROBLEM_NOT_MEASURABLE, "too short"}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct scene scene = scene_of();
        struct problem problem = {0};
        scene.frequency_hz = rows[i].frequency_hz;
        scene.tone_to_s = rows[i].tone_to_s;
        if (measure_staged(&scene, rows[i].duration_s, NULL, &problem))
            fail_msg("row %zu was measured", i);
        assert_int_equal(problem.kind, rows[i].kind);
        if (!strstr(problem.detail, rows[i].says))
            fail_msg("row %zu says: %s", i, problem.detail);
    }
}

/* Eight channels of 0.2 s, one of them silent: what they all lack is time. */
static void a_silent_channel_does_not_hide_that_others_are_too_short(void **state)
{
    struct scene scene = scene_of();
    struct synthetic synthetic = {48000, 8, 0.2, 0, eight, &scene};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_null(synthetic_measure(&distortion_measurement, descriptor, NULL, &problem));
    assert_non_null(strstr(problem.detail, "too short"));
    close(descriptor);
}

static double sweep(int64_t n, int channel, void *context)
{
    double s = (double)n / 48000;
    (void)channel;
    (void)context;
    return 0.5 * sin(2 * M_PI * (500 * s + 20 * s * s));
}

/* A tone that moves away is no steady tone, however constant its level. */
static void a_sweep_is_refused(void **state)
{
    struct synthetic synthetic = {48000, 1, 10, 0, sweep, NULL};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_null(synthetic_measure(&distortion_measurement, descriptor, NULL, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_MEASURABLE);
    assert_non_null(strstr(problem.detail, "does not stay"));
    close(descriptor);
}

static void settings_that_cannot_be_are_refused(void **state)
{
    static const struct {
        double low, high, frequency_hz;
        const char *field;
    } rows[] = {{20, 900, 997, "frequency_hz"},
                {20, 90000, 30000, "frequency_hz"},
                {25000, 90000, 0, "band_hz"}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct scene scene = scene_of();
        struct settings settings;
        struct problem problem = {0};
        synthetic_defaults(&distortion_measurement.description, &settings);
        settings.values[SETTING_COMMON_BAND_HZ].range[0] = rows[i].low;
        settings.values[SETTING_COMMON_BAND_HZ].range[1] = rows[i].high;
        settings.values[SETTING_COMMON_COUNT] = (struct setting_value){
            .given = rows[i].frequency_hz > 0, .number = rows[i].frequency_hz};
        assert_null(measure_staged(&scene, 2, &settings, &problem));
        assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
        assert_string_equal(problem.field, rows[i].field);
    }
}

static void a_sample_that_is_no_number_ends_it(void **state)
{
    struct scene scene = scene_of();
    struct problem problem = {0};
    (void)state;
    scene.not_a_number_at = 100003;
    assert_null(measure_staged(&scene, 5, NULL, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_FINITE);
    assert_non_null(strstr(problem.detail, "100003"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(channels_do_not_touch_each_other),
        cmocka_unit_test(chosen_channels_alone_are_measured),
        cmocka_unit_test(channels_of_different_tones_have_no_phase),
        cmocka_unit_test(the_steady_part_is_found),
        cmocka_unit_test(a_part_can_be_chosen),
        cmocka_unit_test(one_second_is_enough),
        cmocka_unit_test(recordings_without_a_measurable_tone_are_refused),
        cmocka_unit_test(a_silent_channel_does_not_hide_that_others_are_too_short),
        cmocka_unit_test(a_sweep_is_refused),
        cmocka_unit_test(settings_that_cannot_be_are_refused),
        cmocka_unit_test(a_sample_that_is_no_number_ends_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
