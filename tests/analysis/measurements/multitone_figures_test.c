/* Figures of `multitone` against closed forms: what was put in comes out. */
#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "tests/analysis/measurements/many_tones.h"
#include "tests/analysis/measurements/tones.h"

/* Closed form: one of n equal powers is 10·log10(1/n), −15.05 dB of 32. */
static void each_of_equal_tones_has_its_share(void **state)
{
    struct many_tones tones = many_tones_geometric(32, 0.02);
    struct report *report = many_tones_measure(&tones, NULL);
    (void)state;
    assert_close(synthetic_value(report, 0, "tone_count"), 32, 0);
    assert_close(synthetic_value(report, 0, "total_level"),
                 20 * log10(0.02) + 10 * log10(32), 1e-4);
    assert_int_equal(many_tones_rows(report, 0, "tones"), 32);
    assert_int_equal(many_tones_rows(report, 0, "lost"), 0);
    for (int i = 0; i < 32; i++) {
        assert_close(tones_cell(report, 0, "tones", i, "relative_db"), -15.0515, 1e-3);
        assert_close(tones_cell(report, 0, "tones", i, "level_dbfs"), 20 * log10(0.02),
                     1e-3);
        assert_close(tones_cell(report, 0, "tones", i, "deviation_db"), 0, 1e-3);
        assert_close(tones_cell(report, 0, "tones", i, "frequency_hz"), tones.tones[i].hz,
                     1e-3);
    }
    report_free(report);
}

/* Of the span, which is no whole number of periods. 32 tones at geometric steps from 20
 * Hz to 20 kHz on the bins of 131072 samples at 48 kHz. Closed form with zero phases:
 * 20·log10(32/√16) = 18.06; with φ = πk²/32, k from 0: 12.86 (computed, NumPy: 12.856).
 */
static void crest_factor_is_that_of_the_phases(void **state)
{
    struct many_tones tones = many_tones_geometric(32, 0.02);
    struct report *report = many_tones_measure(&tones, NULL);
    (void)state;
    assert_close(synthetic_value(report, 0, "crest_factor"), 18.062, 0.01);
    report_free(report);
    for (int k = 0; k < 32; k++)
        tones.tones[k].phase = M_PI * k * k / 32;
    report = many_tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "crest_factor"), 12.856, 0.01);
    report_free(report);
}

/* A line of −90 dBFS on the recorder's own clock is all of the residual. */
static void a_line_is_the_residual(void **state)
{
    static const double ppms[] = {0, 20, -200};
    struct settings played = many_tones_played(31);
    (void)state;
    for (int i = 0; i < 6; i++) {
        struct many_tones tones = many_tones_of_signal(NULL, 0);
        tones.ppm = ppms[i / 2];
        many_tones_add(&tones, (struct many_tones_tone){
                                   3456.789, decibel_to_amplitude(-90), 1, true});
        struct report *report = many_tones_measure(&tones, i % 2 ? &played : NULL);
        double total = synthetic_value(report, 0, "total_level");
        print_message("%g ppm, %s\n", tones.ppm, i % 2 ? "told" : "not told");
        assert_close(synthetic_value(report, 0, "tone_count"), 31, 0);
        assert_close(synthetic_value(report, 0, "residual_level"), -90, 0.01);
        assert_close(synthetic_value(report, 0, "residual_ratio"), -90 - total, 0.01);
        assert_close(synthetic_value(report, 0, "residual_bits"), (90 + total) / 6.02,
                     0.01);
        assert_close(synthetic_value(report, 0, "largest_line_ratio"), -90 - total, 0.01);
        assert_close(synthetic_value(report, 0, "largest_line_bits"), (90 + total) / 6.02,
                     0.01);
        /* Without the line nothing is left, or next to nothing. */
        const struct report_figure *density =
            synthetic_figure(report, 0, "residual_density");
        assert_between(density->has_value ? density->value : density->bound, -400,
                       -90 - 10 * log10(19980) - 40);
        assert_close(synthetic_value(report, 0, "largest_line_frequency"), 3456.789,
                     0.02);
        assert_int_equal(report->warning_count, 0);
        report_free(report);
    }
}

/* Common practice: a line 80 dB below the total leaves 13.3 bits. */
static void bits_of_a_line_80_dB_down(void **state)
{
    struct many_tones tones = many_tones_geometric(32, 0.02);
    double total = 20 * log10(0.02) + 10 * log10(32);
    (void)state;
    many_tones_add(&tones, (struct many_tones_tone){
                               1234.5, decibel_to_amplitude(total - 80), 0, true});
    struct report *report = many_tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "largest_line_bits"), 13.3, 0.05);
    report_free(report);
}

/* The noise put in is the residual, whatever the clocks do. */
static void residual_is_the_noise(void **state)
{
    static const struct {
        double below_db, ppm, drift_ppm_per_s;
        bool told;
    } rows[] = {
        {80, 0, 0, false},       {80, 200, 0.1, true},  {110, -200, 0.1, true},
        {110, 200, 0, false},    {130, 200, 0.1, true}, {130, -200, -0.1, true},
        {130, -200, 0.1, false}, {130, 0, 0, true},
    };
    struct settings played = many_tones_played(31);
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct many_tones tones = many_tones_of_signal(NULL, 0);
        double total = dbfs_from_mean_square(31 * tones.tones[0].amplitude *
                                             tones.tones[0].amplitude / 2);
        tones.ppm = rows[i].ppm;
        tones.drift_ppm_per_s = rows[i].drift_ppm_per_s;
        many_tones_noise(&tones, total - rows[i].below_db);
        struct report *report = many_tones_measure(&tones, rows[i].told ? &played : NULL);
        print_message("-%g dB, %g ppm, %g ppm/s, %s: %.3f u95 %.3f\n", rows[i].below_db,
                      rows[i].ppm, rows[i].drift_ppm_per_s,
                      rows[i].told ? "told" : "not told",
                      synthetic_value(report, 0, "residual_ratio"),
                      synthetic_figure(report, 0, "residual_ratio")->u95);
        assert_close(synthetic_value(report, 0, "residual_ratio"), -rows[i].below_db,
                     0.1);
        /* Closed form: 19980 Hz of even density. */
        assert_close(synthetic_value(report, 0, "residual_density"),
                     total - rows[i].below_db - 10 * log10(19980), 0.1);
        assert_close(synthetic_value(report, 0, "tone_count"), 31, 0);
        report_free(report);
    }
}

/* Without noise nothing but the window's own side lobes is left. */
static void clean_tones_leave_next_to_nothing(void **state)
{
    struct many_tones tones = many_tones_of_signal(NULL, 0);
    struct settings played = many_tones_played(31);
    (void)state;
    tones.ppm = 37;
    struct report *report = many_tones_measure(&tones, &played);
    const struct report_figure *ratio = synthetic_figure(report, 0, "residual_ratio");
    assert_between(ratio->has_value ? ratio->value : ratio->bound, -400, -155);
    report_free(report);
}

/* Third octaves of even noise grow by a decibel each (closed form), and add up to the
 * residual. */
static void bands_add_up_to_the_residual(void **state)
{
    struct many_tones tones = many_tones_of_signal(NULL, 0);
    double sum = 0;
    (void)state;
    many_tones_noise(&tones, -80);
    struct report *report = many_tones_measure(&tones, NULL);
    const struct report_series *bands = many_tones_series(report, 0, "residual_by_band");
    assert_int_equal(bands->points, 31); /* 20 Hz to 20 kHz */
    assert_close(bands->x[0], 19.9526, 1e-4);
    assert_close(bands->x[17], 1000, 1e-4);
    for (size_t i = 0; i < bands->points; i++)
        sum += decibel_to_power(bands->y[i]);
    assert_close(decibel_from_power(sum), synthetic_value(report, 0, "residual_level"),
                 0.01);
    for (size_t i = 17; i < 30; i++) /* 20 kHz ends with the band */
        assert_close(bands->y[i], -80 + 10 * log10(bands->x[i] * 0.23077 / (20000 - 20)),
                     0.5);
    report_free(report);
}

/* Levels read to 0.001 dB beside noise and on another clock; a droop is the tones', not a
 * loss. */
static void droop_is_told_tone_by_tone(void **state)
{
    struct many_tones tones = many_tones_of_signal(NULL, -3);
    struct settings played = many_tones_played(31);
    (void)state;
    tones.tones[0].amplitude *= decibel_to_amplitude(-12);
    tones.tones[30].amplitude *= decibel_to_amplitude(-25);
    tones.ppm = 150;
    many_tones_noise(&tones, -110);
    struct report *report = many_tones_measure(&tones, &played);
    assert_close(synthetic_value(report, 0, "tone_count"), 31, 0);
    assert_close(tones_cell(report, 0, "tones", 0, "deviation_db"), -12, 0.001);
    assert_close(tones_cell(report, 0, "tones", 15, "deviation_db"), 0, 0.001);
    assert_close(tones_cell(report, 0, "tones", 30, "deviation_db"), -25, 0.002);
    assert_close(tones_cell(report, 0, "tones", 15, "level_dbfs"),
                 20 * log10(tones.tones[15].amplitude), 0.001);
    assert_close(tones_cell(report, 0, "tones", 30, "nominal_hz"), tones.tones[30].hz,
                 1e-9);
    assert_close(tones_cell(report, 0, "tones", 30, "frequency_hz"),
                 tones.tones[30].hz * (1 + 150e-6), 1e-4);
    assert_close(synthetic_value(report, 0, "residual_level"), -110, 0.1);
    report_free(report);
}

static double cubed(double x)
{
    return x + 1e-4 * x * x * x;
}

/* Closed form: tones A through x + a·x³ give, in units of a·A³/4, three lines of 1 at
 * 3·fi, twelve of 3 at 2·fi ± fj and four of 6 at f1 ± f2 ± f3; here all in band and
 * apart. */
static void products_of_a_device_are_residual(void **state)
{
    struct many_tones tones = {
        .sample_rate_hz = 48000,
        .channels = 1,
        .duration_s = 10,
        .tones = {{2000, 0.3, 0, false}, {3100, 0.3, 1, false}, {4730, 0.3, 2, false}},
        .count = 3,
        .shape = cubed};
    const double unit_dbfs = 20 * log10(1e-4 * 0.027 / 4);
    (void)state;
    struct report *report = many_tones_measure(&tones, NULL);
    double total = synthetic_value(report, 0, "total_level");
    assert_close(synthetic_value(report, 0, "largest_line_ratio"),
                 unit_dbfs + 20 * log10(6) - total, 0.001);
    assert_close(synthetic_value(report, 0, "residual_level"),
                 unit_dbfs + 10 * log10(3 + 12 * 9 + 4 * 36), 0.001);
    report_free(report);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_of_equal_tones_has_its_share),
        cmocka_unit_test(crest_factor_is_that_of_the_phases),
        cmocka_unit_test(a_line_is_the_residual),
        cmocka_unit_test(bits_of_a_line_80_dB_down),
        cmocka_unit_test(residual_is_the_noise),
        cmocka_unit_test(clean_tones_leave_next_to_nothing),
        cmocka_unit_test(bands_add_up_to_the_residual),
        cmocka_unit_test(droop_is_told_tone_by_tone),
        cmocka_unit_test(products_of_a_device_are_residual),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
