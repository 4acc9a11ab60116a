/* `multitone` on recordings that are not as one would wish. */
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/floor.h"
#include "analysis/measurements/multitone.h"
#include "analysis/signals/multitone.h"
#include "analysis/signals/tone.h"
#include "tests/analysis/measurements/many_tones.h"
#include "tests/analysis/measurements/tones.h"

static void refused(struct many_tones *tones, const struct settings *played,
                    enum problem_kind kind, const char *words)
{
    struct problem problem = {0};
    struct report *report = many_tones_try(tones, played, &problem);
    if (report)
        fail_msg("measured: %g tones, residual %g dB",
                 synthetic_value(report, 0, "tone_count"),
                 synthetic_value(report, 0, "residual_ratio"));
    print_message("%s\n", problem.detail);
    assert_int_equal(problem.kind, kind);
    if (!strstr(problem.detail, words))
        fail_msg("\"%s\" does not say \"%s\"", problem.detail, words);
}

/* Any rate, and any number of tones: the noise put in is the residual. */
static void any_rate_and_any_number_of_tones(void **state)
{
    static const struct {
        int sample_rate_hz, played_rate_hz, count, channels;
        double duration_s;
        bool told;
    } rows[] = {
        {44100, 44100, 31, 1, 10, true},   {48000, 44100, 31, 1, 10, true},
        {48000, 44100, 31, 1, 10, false},  {96000, 48000, 31, 2, 10, true},
        {192000, 192000, 31, 1, 6, false}, {768000, 48000, 31, 1, 3, true},
        {48000, 48000, 2, 1, 10, false},   {48000, 48000, 2, 1, 10, true},
        {48000, 48000, 60, 1, 10, true},   {48000, 48000, 60, 1, 10, false},
        {48000, 48000, 100, 1, 30, true},  {48000, 48000, 31, 8, 4, true},
        {705600, 44100, 7, 1, 5, false},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct settings played = many_tones_played(rows[i].count);
        played.values[PARAMETER_SAMPLE_RATE_HZ].number = rows[i].played_rate_hz;
        struct many_tones tones = many_tones_of_signal(&played, 0);
        tones.sample_rate_hz = rows[i].sample_rate_hz;
        tones.channels = rows[i].channels;
        tones.duration_s = rows[i].duration_s;
        tones.ppm = -60;
        many_tones_noise(&tones, -100);
        struct report *report = many_tones_measure(&tones, rows[i].told ? &played : NULL);
        print_message("%d Hz, %d tones, %s\n", rows[i].sample_rate_hz, rows[i].count,
                      rows[i].told ? "told" : "not told");
        for (int c = 0; c < rows[i].channels; c++) {
            assert_close(synthetic_value(report, c, "tone_count"), rows[i].count, 0);
            assert_close(synthetic_value(report, c, "residual_level"), -100, 0.1);
            assert_close(tones_cell(report, c, "tones", 0, "level_dbfs"),
                         20 * log10(tones.tones[0].amplitude), 0.002);
        }
        assert_int_equal(report->warning_count, 0);
        report_free(report);
    }
}

/* Tones so close together that their sum fades for 50 ms at a time. */
static void tones_close_together_are_measured(void **state)
{
    struct settings played = many_tones_played(20);
    (void)state;
    played.values[MULTITONE_LOWEST_HZ].number = 1000;
    played.values[MULTITONE_HIGHEST_HZ].number = 1200;
    struct many_tones tones = many_tones_of_signal(&played, 0);
    many_tones_noise(&tones, -100);
    struct report *report = many_tones_measure(&tones, &played);
    assert_close(synthetic_value(report, 0, "tone_count"), 20, 0);
    assert_close(synthetic_value(report, 0, "residual_level"), -100, 0.1);
    assert_between(report->channels[0].end_s - report->channels[0].start_s, 9, 10);
    report_free(report);
}

/* A minute of a clock that drifts by 1 ppm every 10 s: at 20 kHz two bins. */
static void a_clock_that_drifts_for_a_minute_is_followed(void **state)
{
    struct settings played = many_tones_played(31);
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct many_tones tones = many_tones_of_signal(&played, 0);
        tones.duration_s = 60;
        tones.ppm = 100;
        tones.drift_ppm_per_s = 0.1;
        many_tones_noise(&tones, -130);
        struct report *report = many_tones_measure(&tones, i ? &played : NULL);
        assert_close(synthetic_value(report, 0, "tone_count"), 31, 0);
        assert_close(synthetic_value(report, 0, "residual_level"), -130, 0.1);
        assert_close(tones_cell(report, 0, "tones", 30, "frequency_hz"),
                     tones.tones[30].hz * (1 + 103e-6), 2e-3);
        report_free(report);
    }
}

/* A tone 25 dB below the others may be a product: without being told, it is residual,
 * and that is said. */
static void a_weak_tone_that_is_not_told_is_warned_of(void **state)
{
    struct many_tones tones = many_tones_of_signal(NULL, 0);
    (void)state;
    tones.tones[30].amplitude *= decibel_to_amplitude(-25);
    many_tones_noise(&tones, -100);
    struct report *report = many_tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "tone_count"), 30, 0);
    assert_int_equal(report->warning_count, 1);
    assert_string_equal(report->warnings[0].code, "wrong_signal");
    report_free(report);
}

/* The recorder on itself with noise 10 dB below the device's: closed form of floor.h for
 * what adds as amplitudes, −20·log10(1 − 10^(−10/20)) = 3.30 dB. */
static void near_the_floor_u95_is_wider(void **state)
{
    struct many_tones device = many_tones_of_signal(NULL, 0), floor = device;
    (void)state;
    many_tones_noise(&device, -90);
    many_tones_noise(&floor, -100);
    struct report *report = many_tones_measure(&device, NULL);
    struct report *own = many_tones_measure(&floor, NULL);
    double u95 = synthetic_figure(report, 0, "residual_ratio")->u95;
    floor_apply(report, own);
    assert_close(synthetic_figure(report, 0, "residual_ratio")->u95, u95 + 3.30, 0.03);
    assert_close(synthetic_figure(report, 0, "residual_bits")->u95, (u95 + 3.30) / 6.02,
                 0.005);
    assert_int_equal(report->warning_count, 1);
    assert_string_equal(report->warnings[0].code, "near_instrument_floor");
    report_free(report);
    report_free(own);
}

/* Closed form: even noise of 19980 Hz, of which the band has 4000. */
static void the_band_limits_tones_and_residual(void **state)
{
    struct settings played = many_tones_played(31), settings;
    struct many_tones tones = many_tones_of_signal(&played, 0);
    int within = 0;
    (void)state;
    many_tones_noise(&tones, -100);
    for (int i = 0; i < 31; i++)
        within += tones.tones[i].hz > 990 && tones.tones[i].hz < 5050;
    int descriptor = many_tones_recording(&tones);
    synthetic_defaults(&multitone_measurement.description, &settings);
    for (int i = 0; i < 2; i++) {
        struct setting_value *band = &settings.values[SETTING_COMMON_BAND_HZ];
        band->range[0] = 1000;
        band->range[1] = 5000;
        struct report *report =
            synthetic_measure_of(&multitone_measurement, descriptor, &settings,
                                 i ? &multitone_signal : NULL, i ? &played : NULL, NULL);
        assert_non_null(report);
        assert_close(synthetic_value(report, 0, "tone_count"), within, 0);
        assert_close(synthetic_value(report, 0, "residual_level"),
                     -100 + 10 * log10(4000.0 / 19980), 0.1);
        assert_int_equal(many_tones_rows(report, 0, "lost"), 0);
        report_free(report);
    }
    struct problem problem = {0};
    settings.values[SETTING_COMMON_BAND_HZ].range[0] = 20600;
    settings.values[SETTING_COMMON_BAND_HZ].range[1] = 22000;
    assert_null(synthetic_measure_of(&multitone_measurement, descriptor, &settings,
                                     &multitone_signal, &played, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "band_hz");
    close(descriptor);
}

/* A codec's low-pass, or a device that is dead at the ends. */
static void lost_tones_are_listed_with_what_they_cannot_exceed(void **state)
{
    struct settings played = many_tones_played(31);
    struct many_tones tones = many_tones_of_signal(&played, 0);
    double level = 20 * log10(tones.tones[15].amplitude);
    (void)state;
    tones.tones[0].amplitude *= decibel_to_amplitude(-45); /* stands, but 45 dB down */
    tones.tones[29].amplitude = tones.tones[30].amplitude = 0;
    many_tones_noise(&tones, -90);
    struct report *report = many_tones_measure(&tones, &played);
    assert_close(synthetic_value(report, 0, "tone_count"), 28, 0);
    assert_int_equal(many_tones_rows(report, 0, "lost"), 3);
    assert_close(tones_cell(report, 0, "lost", 0, "nominal_hz"), tones.tones[0].hz, 1e-9);
    assert_close(tones_cell(report, 0, "lost", 0, "bound_dbfs"), level - 45, 0.3);
    assert_close(tones_cell(report, 0, "lost", 2, "nominal_hz"), tones.tones[30].hz,
                 1e-9);
    /* Noise in 15 bins of 0.366 Hz: −125.6 dBFS (closed form), and how far it scatters.
     */
    assert_between(tones_cell(report, 0, "lost", 2, "bound_dbfs"), -145, -120);
    assert_close(synthetic_value(report, 0, "residual_level"), -90, 0.1);
    report_free(report);
}

static void tones_beyond_half_the_rate_are_lost(void **state)
{
    struct settings played = many_tones_played(31);
    struct many_tones tones = many_tones_of_signal(&played, 0);
    (void)state;
    tones.count = 29; /* up to 12.6 kHz: what a recorder at 32 kHz passes */
    tones.sample_rate_hz = 32000;
    many_tones_noise(&tones, -90);
    struct report *report = many_tones_measure(&tones, &played);
    assert_close(synthetic_value(report, 0, "tone_count"), 29, 0);
    assert_int_equal(many_tones_rows(report, 0, "lost"), 2);
    assert_true(isnan(tones_cell(report, 0, "lost", 1, "bound_dbfs")));
    report_free(report);
}

static void another_signal_than_told_is_refused(void **state)
{
    struct settings told = many_tones_played(31), few = many_tones_played(17);
    struct many_tones other = many_tones_of_signal(&few, 0);
    struct many_tones noise = {.sample_rate_hz = 48000, .channels = 1, .duration_s = 10};
    struct many_tones tone = noise;
    (void)state;
    refused(&other, &told, PROBLEM_WRONG_SIGNAL, "Of the 31 tones of the signal told");
    many_tones_noise(&noise, -40);
    refused(&noise, &told, PROBLEM_WRONG_SIGNAL, "Of the 31 tones of the signal told");
    many_tones_add(&tone, (struct many_tones_tone){997, 0.5, 0, false});
    refused(&tone, &told, PROBLEM_WRONG_SIGNAL, "Of the 31 tones of the signal told");
}

/* Every second tone of 61 is one of 31: the others are as strong, and none of those told.
 */
static void tones_beside_those_told_are_warned_of(void **state)
{
    struct settings told = many_tones_played(31);
    struct many_tones tones = many_tones_of_signal(&told, 0);
    (void)state;
    many_tones_add(
        &tones, (struct many_tones_tone){1111, tones.tones[0].amplitude / 1.2, 0, false});
    struct report *report = many_tones_measure(&tones, &told);
    assert_int_equal(report->warning_count, 1);
    assert_string_equal(report->warnings[0].code, "wrong_signal");
    report_free(report);
}

static double square(double x)
{
    return x < 0 ? -0.5 : 0.5;
}

/* From one frequency to another in 10 s; or three notes, one after the other. */
static double sweep(int64_t n, int channel, void *context)
{
    double t = (double)n / 48000;
    (void)channel;
    (void)context;
    return 0.5 * sin(2 * M_PI * (20 * t + 999 * t * t));
}

static double notes(int64_t n, int channel, void *context)
{
    double t = (double)n / 48000, hz = t < 3 ? 300 : t < 6 ? 400 : 500;
    (void)channel;
    (void)context;
    return 0.3 * sin(2 * M_PI * hz * t) + 0.3 * sin(3 * M_PI * hz * t);
}

static void tones_that_do_not_stay_are_refused(void **state)
{
    double (*const signals[])(int64_t, int, void *) = {sweep, notes};
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct synthetic synthetic = {48000, 1, 10, 0, signals[i], NULL};
        struct problem problem = {0};
        int descriptor = synthetic_recording(&synthetic);
        assert_null(
            synthetic_measure(&multitone_measurement, descriptor, NULL, &problem));
        print_message("%s\n", problem.detail);
        assert_int_equal(problem.kind, PROBLEM_NOT_MEASURABLE);
        close(descriptor);
    }
}

static void what_is_no_set_of_tones_is_refused(void **state)
{
    struct many_tones noise = {.sample_rate_hz = 48000, .channels = 1, .duration_s = 10};
    struct many_tones tone = noise, edges = noise, brief = many_tones_of_signal(NULL, 0);
    (void)state;
    many_tones_add(&tone, (struct many_tones_tone){997, 0.5, 0, false});
    many_tones_noise(&tone, -100);
    refused(&tone, NULL, PROBLEM_NOT_MEASURABLE, "One tone");
    many_tones_noise(&noise, -40);
    refused(&noise, NULL, PROBLEM_NOT_MEASURABLE, "No set of tones stands clear");
    many_tones_add(&edges, (struct many_tones_tone){997, 0.5, 0, false});
    edges.shape = square;
    refused(&edges, NULL, PROBLEM_NOT_MEASURABLE, "No set of tones stands clear");
    brief.duration_s = 1;
    refused(&brief, NULL, PROBLEM_NOT_MEASURABLE, "2.731 s are needed");
}

static double clipped(double x)
{
    return fmax(-0.3, fmin(0.3, x));
}

/* Clipping is residual; the tones are still the tones. */
static void clipping_raises_the_residual(void **state)
{
    struct settings told = many_tones_played(31);
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct many_tones tones = many_tones_of_signal(NULL, 0);
        many_tones_noise(&tones, -100);
        tones.shape = clipped;
        struct report *report = many_tones_measure(&tones, i ? &told : NULL);
        assert_close(synthetic_value(report, 0, "tone_count"), 31, 0);
        assert_between(synthetic_value(report, 0, "residual_ratio"), -40, -10);
        report_free(report);
    }
}

static double in_the_second_channel(int64_t n, int channel, void *context)
{
    (void)context;
    double t = 2 * M_PI * (double)n / 48000;
    return channel == 1 ? 0.2 * sin(440 * t) + 0.2 * sin(3000 * t) : 0;
}

static void a_silent_channel_does_not_spoil_the_other(void **state)
{
    struct synthetic synthetic = {48000, 2, 8, 0, in_the_second_channel, NULL};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    struct report *report =
        synthetic_measure(&multitone_measurement, descriptor, NULL, NULL);
    assert_non_null(report);
    assert_int_equal(synthetic_figure(report, 0, "residual_ratio")->reason,
                     REASON_DIGITAL_SILENCE);
    assert_close(synthetic_value(report, 1, "tone_count"), 2, 0);
    report_free(report);
    close(descriptor);
}

/* Another kind of signal told is not used. */
static void another_family_told_is_not_used(void **state)
{
    struct settings played;
    struct many_tones tones = many_tones_of_signal(NULL, 0);
    struct problem problem = {0};
    (void)state;
    many_tones_noise(&tones, -80);
    synthetic_defaults(&tone_signal.description, &played);
    int descriptor = many_tones_recording(&tones);
    struct report *report = synthetic_measure_of(&multitone_measurement, descriptor, NULL,
                                                 &tone_signal, &played, &problem);
    assert_non_null(report);
    assert_close(synthetic_value(report, 0, "tone_count"), 31, 0);
    assert_true(isnan(tones_cell(report, 0, "tones", 0, "nominal_hz")));
    report_free(report);
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(any_rate_and_any_number_of_tones),
        cmocka_unit_test(tones_close_together_are_measured),
        cmocka_unit_test(a_clock_that_drifts_for_a_minute_is_followed),
        cmocka_unit_test(a_weak_tone_that_is_not_told_is_warned_of),
        cmocka_unit_test(near_the_floor_u95_is_wider),
        cmocka_unit_test(the_band_limits_tones_and_residual),
        cmocka_unit_test(lost_tones_are_listed_with_what_they_cannot_exceed),
        cmocka_unit_test(tones_beyond_half_the_rate_are_lost),
        cmocka_unit_test(another_signal_than_told_is_refused),
        cmocka_unit_test(tones_beside_those_told_are_warned_of),
        cmocka_unit_test(tones_that_do_not_stay_are_refused),
        cmocka_unit_test(what_is_no_set_of_tones_is_refused),
        cmocka_unit_test(clipping_raises_the_residual),
        cmocka_unit_test(a_silent_channel_does_not_spoil_the_other),
        cmocka_unit_test(another_family_told_is_not_used),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
