/* Closed forms: uncorrelated noises add as powers; products of device and recorder that
 * are in phase, or opposed, add as amplitudes. The device is always 1 (0 dB), the floor
 * is chosen so that the measured figure lies so many dB above it. The limits of 3, 10 and
 * 20 dB are the contract's (floor.h). */
#include "analysis/measurements/floor.h"

#include <math.h>
#include <string.h>

#include "analysis/measurements/registry.h"
#include "tests/support/support.h"

enum { TONE, NOISE, SNR, NOISE_V, JITTER, THD, THD_PERCENT, SINAD, BITS, DC, FIGURES };

static const struct figure_description figures[FIGURES] = {
    [TONE] = {"tone", "dBFS", "", "", BETTER_NONE, FLOOR_NONE, NULL},
    [NOISE] = {"noise", "dBFS", "", "", BETTER_LOWER, FLOOR_NOISE, NULL},
    [SNR] = {"snr", "dB", "", "", BETTER_HIGHER, FLOOR_NOISE, "tone"},
    [NOISE_V] = {"noise_v", "V", "", "", BETTER_LOWER, FLOOR_NOISE, NULL},
    [JITTER] = {"jitter", "s", "", "", BETTER_LOWER, FLOOR_NOISE, NULL},
    [THD] = {"thd", "dB", "", "", BETTER_LOWER, FLOOR_HARMONIC, "tone"},
    [THD_PERCENT] = {"thd_percent", "%", "", "", BETTER_LOWER, FLOOR_HARMONIC, "tone"},
    [SINAD] = {"sinad", "dB", "", "", BETTER_HIGHER, FLOOR_HARMONIC, "tone"},
    [BITS] = {"bits", "bit", "", "", BETTER_HIGHER, FLOOR_HARMONIC, "tone"},
    [DC] = {"dc", "FS", "", "", BETTER_NONE, FLOOR_NONE, NULL},
};

static const struct description description = {
    .name = "made-up", .figures = figures, .figure_count = FIGURES};

static const int noises[] = {NOISE, SNR, NOISE_V, JITTER};
static const int harmonics[] = {THD, THD_PERCENT, SINAD, BITS};

/* The figure of a device, or floor, of this amplitude. */
static double in_unit(int figure, double amplitude)
{
    double db = 20 * log10(amplitude);
    switch (figure) {
    case SNR:
    case SINAD:
        return -db;
    case BITS:
        return -db / 6.02;
    case NOISE_V:
    case JITTER:
        return amplitude;
    case THD_PERCENT:
        return 100 * amplitude;
    default:
        return db;
    }
}

static const double own_u95 = 1e-3;

static struct report *report_of(const int *which, int count, double amplitude)
{
    struct report *report = report_new(&description, (const int[]){1}, 1);
    assert_non_null(report);
    report_value(report, 0, TONE, -1, 0);
    report_value(report, 0, DC, 0.001, own_u95);
    for (int i = 0; i < count; i++)
        report_value(report, 0, which[i], in_unit(which[i], amplitude), own_u95);
    return report;
}

static const struct report_figure *judged(struct report *report, int figure)
{
    return &report->channels[0].figures[figure];
}

struct both {
    struct report *report, *floor;
};

static struct both apply(const int *which, int count, double measured, double floor)
{
    struct both both = {report_of(which, count, measured),
                        report_of(which, count, floor)};
    floor_apply(both.report, both.floor);
    return both;
}

static void release(struct both both)
{
    report_free(both.report);
    report_free(both.floor);
}

/* The interval reaches the truth exactly, or covers it. */
static void assert_covers(const struct report_figure *got, int figure, bool exactly)
{
    double truth = in_unit(figure, 1), off = fabs(got->value - truth);
    assert_true(got->has_value && !got->is_bound);
    if (exactly)
        assert_close(got->u95, off + own_u95, 1e-9 * (1 + off));
    else
        assert_between(off, 0, got->u95);
}

static void noise_is_widened_to_what_the_powers_leave_open(void **state)
{
    (void)state;
    for (double d = 3.01; d < 14; d += 0.37) {
        double floor = 1 / (pow(10, d / 10) - 1);
        struct both both = apply(noises, 4, sqrt(1 + floor), sqrt(floor));
        assert_int_equal(both.report->warning_count, d < 10);
        for (int i = 0; i < 4; i++) {
            const struct report_figure *got = judged(both.report, noises[i]);
            assert_close(got->value, in_unit(noises[i], sqrt(1 + floor)), 0);
            if (d < 10)
                assert_covers(got, noises[i], true);
            else
                assert_close(got->u95, own_u95, 0);
        }
        release(both);
    }
}

/* In phase the truth lies at the end of the interval, opposed it lies within. */
static void harmonics_are_widened_for_either_phase(void **state)
{
    (void)state;
    for (double d = 3.01; d < 25; d += 0.37) {
        for (int opposed = 0; opposed < 2; opposed++) {
            double floor = 1 / (pow(10, d / 20) - (opposed ? -1 : 1));
            double measured = opposed ? 1 - floor : 1 + floor;
            struct both both = apply(harmonics, 4, measured, floor);
            assert_int_equal(both.report->warning_count, d < 20);
            for (int i = 0; i < 4; i++) {
                const struct report_figure *got = judged(both.report, harmonics[i]);
                assert_close(got->value, in_unit(harmonics[i], measured), 0);
                if (d < 20)
                    assert_covers(got, harmonics[i], !opposed);
                else
                    assert_close(got->u95, own_u95, 0);
            }
            release(both);
        }
    }
}

static bool worse_or_equal(int figure, double value, double than)
{
    bool higher = figures[figure].better == BETTER_HIGHER;
    return (higher ? than - value : value - than) >= -1e-12;
}

static void assert_bound(const struct both *both, int figure, double truth)
{
    const struct report_figure *got = judged(both->report, figure);
    assert_true(got->has_value && got->is_bound && isnan(got->u95));
    assert_true(worse_or_equal(figure, got->value, in_unit(figure, truth)));
}

/* Within 3 dB, and where the floor is the worse, the truth is no worse than the value:
 * the measured one with its u95, and for harmonics the floor's on top. */
static void figures_at_the_floor_are_bounds(void **state)
{
    (void)state;
    for (double d = -30; d < 2.99; d += 0.37) {
        double opposed = 1 / (pow(10, d / 20) + 1), ratio = pow(10, -d / 10);
        struct both both = apply(harmonics, 4, 1 - opposed, opposed);
        for (int i = 0; i < 4; i++)
            assert_bound(&both, harmonics[i], 1);
        /* 1 − f and f on top are the device's 1: no wider than it must be */
        assert_close(judged(both.report, THD)->value, own_u95, 1e-9);
        assert_close(judged(both.report, SINAD)->value, -own_u95, 1e-9);
        assert_close(judged(both.report, BITS)->value, -own_u95, 1e-9);
        release(both);
        both = apply(noises, 4, 1, sqrt(ratio));
        for (int i = 0; i < 4; i++)
            assert_bound(&both, noises[i], 1);
        assert_close(judged(both.report, NOISE)->value, own_u95, 1e-12);
        assert_close(judged(both.report, NOISE_V)->value, 1 + own_u95, 1e-12);
        release(both);
    }
    /* A floor that cancels more than the device has: 2 − 1 measured, 3 is the worst. */
    struct both both = apply(harmonics, 4, 1, 2);
    assert_close(judged(both.report, THD)->value, 20 * log10(3) + own_u95, 1e-9);
    release(both);
}

static void figures_far_away_are_left_alone(void **state)
{
    (void)state;
    struct both both = apply(harmonics, 4, 1, 0.0999);
    assert_int_equal(both.report->warning_count, 0);
    assert_close(judged(both.report, DC)->u95, own_u95, 0);
    release(both);
    both = apply(noises, 4, 1, 10); /* a bound; dc has no kind and stays */
    assert_close(judged(both.report, DC)->u95, own_u95, 0);
    assert_false(judged(both.report, DC)->is_bound);
    release(both);
}

static void unknown_u95_stays_unknown(void **state)
{
    (void)state;
    struct both both = {report_of(harmonics, 4, 2), report_of(harmonics, 4, 1)};
    report_value(both.report, 0, THD, 20 * log10(2), NAN);
    report_value(both.report, 0, SINAD, 0, NAN);
    floor_apply(both.report, both.floor);
    assert_true(isnan(judged(both.report, THD)->u95));
    assert_false(judged(both.report, THD)->is_bound);
    assert_close(judged(both.report, SINAD)->value, -20 * log10(2), 1e-9);
    release(both);
}

/* A null figure of the floor counts as its bound; one of the device is a bound already,
 * which harmonics of the floor may have made too good. */
static void null_figures_count_as_their_bounds(void **state)
{
    (void)state;
    struct both both = {report_of(harmonics, 4, 2), report_of(harmonics, 4, 1)};
    report_bound(both.floor, 0, THD, 0);
    report_bound(both.report, 0, SINAD, -6);
    report_bound(both.floor, 0, SINAD, 0);
    report_none(both.floor, 0, BITS, REASON_BELOW_NOISE);
    report_none(both.report, 0, THD_PERCENT, REASON_ABOVE_BAND);
    report_bound(both.report, 0, NOISE, -100);
    report_value(both.floor, 0, NOISE, -100, 0);
    floor_apply(both.report, both.floor);
    assert_close(judged(both.report, THD)->u95, 20 * log10(2) + own_u95, 1e-9);
    const struct report_figure *sinad = judged(both.report, SINAD);
    assert_true(!sinad->has_value && sinad->has_bound && !sinad->is_bound);
    assert_int_equal(sinad->reason, REASON_BELOW_NOISE);
    assert_close(sinad->bound, -6 - 20 * log10(1 + pow(10, -6.0 / 20)), 1e-9);
    assert_close(judged(both.report, BITS)->u95, own_u95, 0);
    assert_int_equal(judged(both.report, THD_PERCENT)->reason, REASON_ABOVE_BAND);
    assert_close(judged(both.report, NOISE)->bound, -100, 0);
    assert_int_equal(both.report->warning_count, 1);
    assert_null(strstr(both.report->warnings[0].message, "bits"));
    assert_null(strstr(both.report->warnings[0].message, "noise"));
    release(both);
}

/* The recorder's noise does not depend on the tone: a floor recorded with a tone 20 dB
 * stronger has an snr 20 dB better, and says the same of the device's. */
static void ratios_are_compared_at_the_level_of_the_recording(void **state)
{
    (void)state;
    struct both both = {report_of(noises, 3, 1), report_of(noises, 3, sqrt(0.25))};
    report_value(both.report, 0, TONE, -21, 0);
    report_value(both.report, 0, SNR, -20, own_u95);
    report_value(both.report, 0, THD, -100, own_u95);
    report_value(both.floor, 0, THD, -126, own_u95);
    floor_apply(both.report, both.floor);
    double widened = own_u95 - 10 * log10(1 - 0.25);
    assert_close(judged(both.report, NOISE)->u95, widened, 1e-9);
    assert_close(judged(both.report, SNR)->u95, widened, 1e-9);
    /* harmonics are taken to be no weaker: 6 dB below, not 26 */
    assert_close(judged(both.report, THD)->u95,
                 own_u95 - 20 * log10(1 - pow(10, -6.0 / 20)), 1e-9);
    assert_int_equal(both.report->warning_count, 1);
    release(both);
}

/* Nor are they taken to be weaker re a tone that is stronger than the floor's. */
static void a_floor_of_a_weaker_tone_is_warned_of(void **state)
{
    (void)state;
    for (int louder = 0; louder < 2; louder++) {
        struct both both = {report_of(harmonics, 4, 10), report_of(harmonics, 4, 0.1)};
        report_value(both.report, 0, TONE, louder ? 0.5 : -0.5, 0);
        report_value(both.report, 0, THD, -100, own_u95);
        report_value(both.floor, 0, THD, -110, own_u95);
        floor_apply(both.report, both.floor);
        assert_close(judged(both.report, THD)->u95,
                     own_u95 - 20 * log10(1 - pow(10, -0.5)), 1e-9);
        assert_int_equal(both.report->warning_count, 1 + louder);
        if (louder) {
            assert_string_equal(both.report->warnings[0].code, "wrong_signal");
            assert_non_null(strstr(both.report->warnings[0].message, "1.5 dB stronger"));
        }
        release(both);
    }
}

static void a_floor_without_the_tone_is_warned_of(void **state)
{
    static const int which[] = {NOISE, SNR};
    struct both both = {report_of(which, 2, 1), report_of(which, 1, 0.01)};
    (void)state;
    report_none(both.floor, 0, SNR, REASON_NO_REFERENCE);
    floor_apply(both.report, both.floor);
    assert_int_equal(both.report->warning_count, 1);
    assert_string_equal(both.report->warnings[0].code, "wrong_signal");
    assert_non_null(strstr(both.report->warnings[0].message, "Not judged: snr "));
    release(both);
}

static void channels_go_by_their_numbers(void **state)
{
    (void)state;
    struct report *report = report_new(&description, (const int[]){3, 1}, 2);
    struct report *floor = report_new(&description, (const int[]){1, 3}, 2);
    for (int c = 0; c < 2; c++)
        report_value(report, c, THD, -100, own_u95);
    report_value(floor, 0, THD, -106, own_u95); /* channel 1 */
    report_none_all(floor, 1, REASON_DIGITAL_SILENCE);
    floor_apply(report, floor);
    assert_close(report->channels[0].figures[THD].u95, own_u95, 0);
    assert_close(report->channels[1].figures[THD].u95,
                 own_u95 - 20 * log10(1 - pow(10, -6.0 / 20)), 1e-9);
    assert_int_equal(report->warning_count, 2);
    assert_string_equal(report->warnings[0].code, "wrong_signal");
    assert_int_equal(report->warnings[0].channel, 3);
    assert_string_equal(report->warnings[1].code, "near_instrument_floor");
    assert_int_equal(report->warnings[1].channel, 1);
    report_free(report);
    report_free(floor);
}

static void the_warning_names_figures_and_distances(void **state)
{
    (void)state;
    struct both both = {report_of(harmonics, 3, 2), report_of(harmonics, 3, 1)};
    report_value(both.report, 0, THD_PERCENT, 120, own_u95);
    floor_apply(both.report, both.floor);
    assert_int_equal(both.report->warning_count, 1);
    assert_string_equal(
        both.report->warnings[0].message,
        "Near the recorder's own floor, the distance to it in brackets. Only bounds: "
        "thd_percent (1.6 dB). u95 widened: thd (6.0 dB), sinad (6.0 dB).");
    release(both);
}

/* What floor_apply relies on. */
static void every_table_fits(void **state)
{
    (void)state;
    int kinds = 0;
    for (int i = 0; i < registry_count(); i++) {
        const struct description *table = &registry_get(i)->description;
        for (int k = 0; k < table->figure_count; k++) {
            const struct figure_description *figure = &table->figures[k];
            bool found = !figure->relative_to;
            for (int j = 0; j < table->figure_count && !found; j++)
                found = strcmp(table->figures[j].name, figure->relative_to) == 0 &&
                        strcmp(table->figures[j].unit, "dBFS") == 0;
            assert_true(found);
            assert_true(figure->floor == FLOOR_NONE || figure->better != BETTER_NONE);
            kinds += figure->floor != FLOOR_NONE;
        }
    }
    assert_true(kinds > 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(noise_is_widened_to_what_the_powers_leave_open),
        cmocka_unit_test(harmonics_are_widened_for_either_phase),
        cmocka_unit_test(figures_at_the_floor_are_bounds),
        cmocka_unit_test(figures_far_away_are_left_alone),
        cmocka_unit_test(unknown_u95_stays_unknown),
        cmocka_unit_test(null_figures_count_as_their_bounds),
        cmocka_unit_test(ratios_are_compared_at_the_level_of_the_recording),
        cmocka_unit_test(a_floor_of_a_weaker_tone_is_warned_of),
        cmocka_unit_test(a_floor_without_the_tone_is_warned_of),
        cmocka_unit_test(channels_go_by_their_numbers),
        cmocka_unit_test(the_warning_names_figures_and_distances),
        cmocka_unit_test(every_table_fits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
