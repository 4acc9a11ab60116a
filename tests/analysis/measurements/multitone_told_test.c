/* `multitone` when what is told is not quite what was played. */
#include <math.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/multitone.h"
#include "analysis/signals/multitone.h"
#include "analysis/signals/parameters.h"
#include "tests/analysis/measurements/many_tones.h"

static void check_refused(struct many_tones *tones, const struct settings *played,
                          enum problem_kind kind, const char *field, const char *words)
{
    struct problem problem = {0};
    assert_null(many_tones_try(tones, played, &problem));
    print_message("%s\n", problem.detail);
    assert_int_equal(problem.kind, kind);
    assert_string_equal(problem.field, field);
    assert_non_null(strstr(problem.detail, words));
}

/* The default tones lie up to half a line of the grid from their frequencies, and so do
 * those of another rate: a bin beside each other, the lobes of one leak 75 dB below the
 * total from the lobes of the other. */
static void the_same_tones_of_another_rate_are_another_signal(void **state)
{
    struct settings told = many_tones_played(31), played = told;
    (void)state;
    played.values[PARAMETER_SAMPLE_RATE_HZ].number = 44100;
    struct many_tones tones = many_tones_of_signal(&played, 0);
    tones.sample_rate_hz = 44100;
    many_tones_noise(&tones, -100);
    check_refused(&tones, &told, PROBLEM_WRONG_SIGNAL, "", "sample_rate_hz");
    struct report *report = many_tones_measure(&tones, &played);
    assert_close(synthetic_value(report, 0, "residual_level"), -100, 0.1);
    assert_int_equal(report->warning_count, 0);
    report_free(report);
}

/* Of 31 tones three lie a bin and more from where they are told. */
static void tones_beside_their_places_are_warned_of(void **state)
{
    struct settings told = many_tones_played(31);
    (void)state;
    for (int displaced = 0; displaced < 2; displaced++) {
        struct many_tones tones = many_tones_of_signal(&told, 0);
        for (int i = 0; i < 3; i++)
            tones.tones[5 * i + 10].hz += displaced * (0.4 + 0.3 * i);
        many_tones_noise(&tones, -100);
        struct report *report = many_tones_measure(&tones, &told);
        assert_int_equal(report->warning_count, displaced);
        if (displaced) {
            assert_string_equal(report->warnings[0].code, "wrong_signal");
            assert_non_null(strstr(report->warnings[0].message, "1.00 Hz beside"));
        }
        report_free(report);
    }
}

/* Tones in as much noise stand where they are told. */
static void noise_displaces_no_tone(void **state)
{
    struct settings told = many_tones_played(31);
    (void)state;
    for (int i = 0; i < 3; i++) {
        struct many_tones tones = many_tones_of_signal(&told, -20);
        many_tones_noise(&tones, -25 - 10 * i);
        tones.ppm = 900;
        struct report *report = many_tones_measure(&tones, &told);
        assert_close(synthetic_value(report, 0, "tone_count"), 31, 0);
        assert_int_equal(report->warning_count, 0);
        report_free(report);
    }
}

static void a_signal_that_cannot_be_is_refused(void **state)
{
    struct settings told = many_tones_played(31);
    struct many_tones tones = many_tones_of_signal(&told, 0);
    (void)state;
    told.values[MULTITONE_HIGHEST_HZ].number = 30000;
    check_refused(&tones, &told, PROBLEM_OUT_OF_RANGE, "signal",
                  "need a sample rate above 60000 Hz");
}

static double in_the_second_channel(int64_t n, int channel, void *context)
{
    (void)context;
    return channel == 1 ? 0.2 * sin(0.1 * (double)n) + 0.2 * sin(0.2 * (double)n) : 0;
}

static void too_short_beside_a_silent_channel_is_told(void **state)
{
    struct synthetic synthetic = {48000, 2, 2, 0, in_the_second_channel, NULL};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_null(synthetic_measure(&multitone_measurement, descriptor, NULL, &problem));
    assert_non_null(strstr(problem.detail, "lasts 1.900 s"));
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_same_tones_of_another_rate_are_another_signal),
        cmocka_unit_test(tones_beside_their_places_are_warned_of),
        cmocka_unit_test(noise_displaces_no_tone),
        cmocka_unit_test(a_signal_that_cannot_be_is_refused),
        cmocka_unit_test(too_short_beside_a_silent_channel_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
