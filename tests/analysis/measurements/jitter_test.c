/* `jitter` against closed forms: sidebands of 20·log10(π·f0·J) dBc. */
#include "analysis/measurements/jitter.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "tests/analysis/measurements/carriers.h"

/* Closed form; 1 ns peak to peak at 12 kHz −94.49 dBc, at 11.025 kHz −95.23, and
 * −110 dBc at 12 kHz 167.8 ps peak to peak. A sine's rms is pp/√8. */
static void a_sine_of_jitter_has_its_sidebands(void **state)
{
    static const struct {
        double hz, peak_to_peak_s, dbc;
        int rate;
    } rows[] = {{12000, 1e-9, -94.49, 48000},
                {11025, 1e-9, -95.23, 44100},
                {11025, 1e-9, -95.23, 192000},
                {12000, 167.8e-12, -110, 48000}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct carriers carriers = carriers_of(rows[i].hz);
        carriers.sample_rate_hz = rows[i].rate;
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){1234.5, rows[i].peak_to_peak_s / 2, 0.3};
        carriers.noise_rms = 1e-7;
        struct report *report = carriers_measure(&carriers, NULL);
        assert_close(synthetic_value(report, 0, "worst_sideband"), rows[i].dbc, 0.01);
        assert_close(synthetic_value(report, 0, "worst_sideband_offset"), 1234.5, 0.02);
        assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") /
                         rows[i].peak_to_peak_s,
                     1, 0.003);
        assert_close(synthetic_value(report, 0, "jitter_rms") * sqrt(8) /
                         rows[i].peak_to_peak_s,
                     1, 0.003);
        assert_close(synthetic_value(report, 0, "carrier_level"), -3.0103, 1e-4);
        assert_close(synthetic_value(report, 0, "carrier_frequency"),
                     rows[i].hz * (1 + 37e-6), 1e-4);
        assert_int_equal(carriers_rows(report, 0), 1);
        assert_string_equal(carriers_word(report, 0, 0, "kind"), "phase");
        assert_string_equal(carriers_word(report, 0, 0, "origin"), "unknown");
        assert_close(carriers_cell(report, 0, 0, "upper_dbc"), rows[i].dbc, 0.02);
        assert_close(carriers_cell(report, 0, 0, "lower_dbc"), rows[i].dbc, 0.02);
        assert_close(carriers_cell(report, 0, 0, "jitter_peak_s") /
                         (rows[i].peak_to_peak_s / 2),
                     1, 0.003);
        assert_true(isnan(carriers_cell(report, 0, 0, "amplitude_modulation_dbc")));
        report_free(report);
    }
}

/* Depth m: sidebands of m/2 each, no jitter: less than 1 % of what phase modulation with
 * the same sidebands would be. */
static void amplitude_modulation_is_no_jitter(void **state)
{
    struct carriers carriers = carriers_of(12000);
    const double sideband = decibel_to_amplitude(-94.49);
    (void)state;
    carriers.depth[carriers.depth_count++] =
        (struct carriers_line){1234.5, 2 * sideband, 0.3};
    carriers.noise_rms = 1e-8;
    struct report *report = carriers_measure(&carriers, NULL);
    assert_close(carriers_cell(report, 0, 0, "amplitude_modulation_dbc"), -94.49, 0.01);
    assert_close(carriers_cell(report, 0, 0, "upper_dbc"), -94.49, 0.01);
    assert_string_equal(carriers_word(report, 0, 0, "kind"), "amplitude");
    const struct report_figure *figure =
        synthetic_figure(report, 0, "jitter_peak_to_peak");
    assert_true(!figure->has_value && figure->has_bound);
    assert_between(figure->bound, 0, 1e-11);
    report_free(report);
}

/* Both at one offset, in any phase to each other, come apart: β/2 and m/2. */
static void mixed_modulation_is_separated(void **state)
{
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct carriers carriers = carriers_of(12000);
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){700.3, 0.5e-9, 0.3};
        carriers.depth[carriers.depth_count++] =
            (struct carriers_line){700.3, 2e-5, 0.3 + i};
        carriers.noise_rms = 1e-8;
        struct report *report = carriers_measure(&carriers, NULL);
        assert_string_equal(carriers_word(report, 0, 0, "kind"), "mixed");
        assert_close(carriers_cell(report, 0, 0, "phase_modulation_dbc"),
                     carriers_dbc(12000, 0.5e-9), 0.01);
        assert_close(carriers_cell(report, 0, 0, "amplitude_modulation_dbc"), -100, 0.01);
        assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") / 1e-9, 1, 0.003);
        report_free(report);
    }
}

static void a_line_on_one_side_is_additive(void **state)
{
    struct carriers carriers = carriers_of(12000);
    (void)state;
    carriers.added[carriers.added_count++] = (struct carriers_line){14000, 1e-4, 1};
    carriers.added[carriers.added_count++] = (struct carriers_line){50.1, 1e-5, 1};
    carriers.added[carriers.added_count++] = (struct carriers_line){9000, 1e-6, 1};
    carriers.noise_rms = 1e-7; /* the weakest stands some 12 dB over it */
    struct report *report = carriers_measure(&carriers, NULL);
    assert_int_equal(carriers_rows(report, 0), 3);
    for (int row = 0; row < 3; row++) {
        assert_string_equal(carriers_word(report, 0, row, "kind"), "additive");
        assert_true(isnan(carriers_cell(report, 0, row, "phase_modulation_dbc")));
        assert_true(isnan(carriers_cell(report, 0, row, "jitter_peak_s")));
    }
    int row = carriers_row(report, 0, 14000 - 12000 * (1 + 37e-6));
    assert_close(carriers_cell(report, 0, row, "upper_dbc"), -80, 0.01);
    row = carriers_row(report, 0, 12000 * (1 + 37e-6) - 50.1);
    assert_close(carriers_cell(report, 0, row, "lower_dbc"), -100, 0.05);
    assert_string_equal(carriers_word(report, 0, row, "origin"), "mains");
    assert_true(isnan(carriers_cell(report, 0, row, "upper_dbc")));
    assert_true(!synthetic_figure(report, 0, "worst_sideband")->has_value);
    assert_true(!synthetic_figure(report, 0, "jitter_rms")->has_value);
    report_free(report);
}

/* −130 dBc under noise of −130 dBFS from 0 to half the sample rate, beside a carrier of
 * −10 dBFS, 10 s, clocks 200 ppm apart that drift by 1 ppm in 10 s: 0.2 dB. Its scatter
 * is 8.686·√(3.73·n/P/K) dB, n the noise in one bin: 0.06 dB for the 13 segments here. */
static void a_faint_sideband_is_read_in_noise(void **state)
{
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct carriers carriers = carriers_of(12000);
        carriers.level_dbfs = -10;
        carriers.ppm = i % 2 ? 200 : -200;
        carriers.drift_ppm_per_s = i / 2 ? 0.1 : -0.1;
        carriers.jitter_s[carriers.jitter_count++] = (struct carriers_line){
            1000, decibel_to_amplitude(-130) / (M_PI * 12000), 0.3};
        carriers.noise_rms = sqrt(dbfs_to_mean_square(-130));
        carriers.random = support_random_seed(900 + (uint64_t)i);
        struct report *report = carriers_measure(&carriers, NULL);
        assert_close(synthetic_value(report, 0, "worst_sideband"), -130, 0.2);
        assert_close(synthetic_value(report, 0, "worst_sideband_offset"), 1000, 0.1);
        assert_between(synthetic_figure(report, 0, "worst_sideband")->u95, 0.02, 0.3);
        assert_close(synthetic_value(report, 0, "jitter_rms") /
                         (decibel_to_amplitude(-130) / (M_PI * 12000) / M_SQRT2),
                     1, 0.03);
        int row = carriers_row(report, 0, 1000);
        assert_string_equal(carriers_word(report, 0, row, "origin"), "usb_frame");
        report_free(report);
    }
}

/* Phase modulation 30 dB below an additive line of the same offset: not jitter, but
 * within the bound. */
static void what_other_lines_hide_is_within_the_bound(void **state)
{
    struct carriers carriers = carriers_of(12000);
    double peak_s = decibel_to_amplitude(-130) / (M_PI * 12000);
    (void)state;
    carriers.added[carriers.added_count++] = (struct carriers_line){14000, 1e-5, 1};
    carriers.jitter_s[carriers.jitter_count++] =
        (struct carriers_line){14000 - 12000 * (1 + 37e-6), peak_s, 0.3};
    carriers.noise_rms = 1e-7;
    struct report *report = carriers_measure(&carriers, NULL);
    const struct report_figure *figure = synthetic_figure(report, 0, "jitter_rms");
    assert_true(!figure->has_value && figure->has_bound);
    assert_between(figure->bound * M_SQRT2 / peak_s, 1, 1.2);
    report_free(report);
}

/* Drift alone makes no line, on any carrier. What is left is the rounding of the test's
 * own phase. */
static void drift_is_no_jitter(void **state)
{
    static const struct {
        int rate;
        double hz;
    } rows[] = {{48000, 12000}, {44100, 5000}, {192000, 48000}, {192000, 11025}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct carriers carriers = carriers_of(rows[i].hz);
        carriers.sample_rate_hz = rows[i].rate;
        carriers.duration_s = rows[i].rate > 100000 ? 10 : 30;
        carriers.ppm = -200;
        carriers.drift_ppm_per_s = 0.1;
        struct report *report = carriers_measure(&carriers, NULL);
        assert_int_equal(carriers_rows(report, 0), 0);
        assert_true(!synthetic_figure(report, 0, "worst_sideband")->has_value);
        assert_between(synthetic_figure(report, 0, "worst_sideband")->bound, -400, -150);
        const struct report_figure *random =
            synthetic_figure(report, 0, "random_jitter_rms");
        assert_between(random->has_value ? random->value : random->bound, 0, 1e-15);
        report_free(report);
    }
}

/* 12 Hz apart, equal and 20 dB apart, and 8 bins apart, within each other's lobe, 50 dB
 * apart: each reads its own level. */
static void neighbours_are_told_apart(void **state)
{
    static const struct {
        double apart_hz, second;
    } rows[] = {{12, 1}, {12, 0.1}, {8 * 48000 / 65536.0, 0.00316}};
    (void)state;
    for (int i = 0; i < 3; i++) {
        struct carriers carriers = carriers_of(12000);
        double second = rows[i].second, second_hz = 1000.2 + rows[i].apart_hz;
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){1000.2, 0.5e-9, 0.3};
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){second_hz, 0.5e-9 * second, 2};
        carriers.noise_rms = 1e-8;
        struct report *report = carriers_measure(&carriers, NULL);
        assert_int_equal(carriers_rows(report, 0), 2);
        int one = carriers_row(report, 0, 1000.2),
            other = carriers_row(report, 0, second_hz);
        double dbc = carriers_dbc(12000, 0.5e-9);
        assert_close(carriers_cell(report, 0, one, "phase_modulation_dbc"), dbc, 0.02);
        assert_close(carriers_cell(report, 0, other, "phase_modulation_dbc"),
                     dbc + 20 * log10(second), i == 2 ? 0.15 : 0.05);
        assert_close(synthetic_value(report, 0, "jitter_peak_to_peak"),
                     1e-9 * (1 + second), 0.01e-9);
        assert_close(synthetic_value(report, 0, "jitter_rms"),
                     0.5e-9 * sqrt((1 + second * second) / 2), 0.002e-9);
        report_free(report);
    }
}

/* Nothing but the line stands beside a strong line: no skirt of its poses as another. */
static void a_strong_line_has_no_neighbours(void **state)
{
    struct carriers carriers = carriers_of(19000);
    (void)state;
    carriers.level_dbfs = -10;
    carriers.added[carriers.added_count++] = (struct carriers_line){20000.4, 0.97, 1};
    carriers.noise_rms = 1e-7;
    struct report *report = carriers_measure(&carriers, NULL);
    assert_string_equal(carriers_word(report, 0, 0, "kind"), "additive");
    for (int row = 1; row < carriers_rows(report, 0); row++)
        assert_between(carriers_cell(report, 0, row, "upper_dbc"), -400, -130);
    report_free(report);
}

/* 1 and 2 kHz locked to each other. Closed form: cos x + ½·cos 2x reaches from −¾ to 1½,
 * cos x − ½·sin 2x from −¾√3 to ¾√3. */
static void phases_of_lines_count(void **state)
{
    static const struct {
        double phase, span;
    } rows[] = {{0, 2.25}, {M_PI / 2, 2.598076}};
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        struct carriers carriers = carriers_of(12000);
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){1000, 1e-9, 0};
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){2000, 0.5e-9, rows[i].phase};
        carriers.noise_rms = 1e-8;
        struct report *report = carriers_measure(&carriers, NULL);
        assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") / 1e-9,
                     rows[i].span, 0.01);
        report_free(report);
    }
}

/* White jitter of the instants, rms J over all frequencies to half the sample rate: in
 * 100 … 6000 Hz J·√(5900/24000) of it (of a carrier at a quarter of the rate, each
 * sideband of the phase lies within the recording). Additive noise beside it is no
 * jitter. */
static void random_jitter_is_told_from_added_noise(void **state)
{
    struct carriers carriers = carriers_of(12000);
    (void)state;
    carriers.random_jitter_s = 200e-12;
    carriers.noise_rms = 3e-6;
    struct report *report = carriers_measure(&carriers, NULL);
    double want = 200e-12 * sqrt(5900 / 24000.0);
    const struct report_figure *figure = synthetic_figure(report, 0, "random_jitter_rms");
    assert_close(synthetic_value(report, 0, "random_jitter_rms") / want, 1, 0.03);
    assert_between(figure->u95 / want, 0.002, 0.05);
    report_free(report);
    /* Alone: √(2·n·5900/24000)/(A·2πf0), n its mean square, is what all of it would be.
     */
    carriers.random_jitter_s = 0;
    report = carriers_measure(&carriers, NULL);
    figure = synthetic_figure(report, 0, "random_jitter_rms");
    want = sqrt(2 * 9e-12 * 5900 / 24000) / M_SQRT1_2 / (2 * M_PI * 12000);
    assert_true(!figure->has_value && figure->has_bound);
    assert_close(figure->bound / want, 1, 0.05);
    report_free(report);
}

/* Hum on a clock or a reference: within its own pedestal no line, from 14 bins on it is
 * listed, and counted. */
static void hum_is_listed_as_mains(void **state)
{
    static const double hums[] = {49.98, 100, 300.1, 60.02};
    (void)state;
    for (size_t i = 0; i < sizeof hums / sizeof *hums; i++) {
        struct carriers carriers = carriers_of(12000);
        carriers.drift_ppm_per_s = 0.1;
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){hums[i], 1e-9, 0};
        carriers.noise_rms = 1e-7;
        struct report *report = carriers_measure(&carriers, NULL);
        int row = carriers_row(report, 0, hums[i]);
        assert_string_equal(carriers_word(report, 0, row, "origin"), "mains");
        assert_close(carriers_cell(report, 0, row, "phase_modulation_dbc"),
                     carriers_dbc(12000, 1e-9), 0.02);
        assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") / 2e-9, 1, 0.003);
        report_free(report);
    }
}

/* J1(β)/J0(β) of the carrier, J3 at three times the offset: closed form. Beyond −12 dBc
 * the size is not told. */
static void a_large_index_is_its_own(void **state)
{
    static const double indices[] = {0.1, 0.3, 0.45, 0.55};
    (void)state;
    for (size_t i = 0; i < sizeof indices / sizeof *indices; i++) {
        struct carriers carriers = carriers_of(12000);
        double beta = indices[i], peak_s = beta / (2 * M_PI * 12000);
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){1234.5, peak_s, 0.3};
        carriers.noise_rms = 1e-7;
        struct report *report = carriers_measure(&carriers, NULL);
        assert_close(synthetic_value(report, 0, "worst_sideband"),
                     20 * log10(j1(beta) / j0(beta)), 0.002);
        const struct report_figure *rms = synthetic_figure(report, 0, "jitter_rms");
        int row = carriers_row(report, 0, 1234.5);
        if (i == 3) {
            assert_true(!rms->has_value && rms->reason == REASON_NOT_DETERMINABLE);
            assert_true(isnan(carriers_cell(report, 0, row, "jitter_peak_s")));
        } else {
            assert_close(rms->value * M_SQRT2 / peak_s, 1, 5e-4);
            assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") / peak_s / 2,
                         1, 0.015);
            assert_close(carriers_cell(report, 0, row, "jitter_peak_s") / peak_s, 1,
                         5e-4);
        }
        report_free(report);
    }
}

/* On one clock, at a quarter of its rate, jitter of 12 to 24 kHz is folded upon slower
 * jitter: the difference of phase and amplitude noise is (1 + cos 4φ) of what it should
 * be (closed form), φ the carrier's phase at the first sample. So it is only a bound,
 * and never less than the truth. 10 ppm apart over 10 s it is right again. */
static void folded_jitter_is_no_value(void **state)
{
    static const double phases[] = {0, 0.7};
    const double want = 200e-12 * sqrt(5900 / 24000.0);
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct carriers carriers = carriers_of(12000);
        carriers.ppm = i / 2 ? 10 : 0;
        carriers.phase = phases[i % 2];
        carriers.random_jitter_s = 200e-12;
        carriers.random = support_random_seed(500 + (uint64_t)i);
        struct report *report = carriers_measure(&carriers, NULL);
        const struct report_figure *figure =
            synthetic_figure(report, 0, "random_jitter_rms");
        assert_int_equal(figure->has_value, i / 2);
        if (figure->has_value)
            assert_close(figure->value, want, fmin(figure->u95, 0.05 * want));
        else
            assert_between(figure->bound / want, 1, 1.5);
        report_free(report);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_sine_of_jitter_has_its_sidebands),
        cmocka_unit_test(amplitude_modulation_is_no_jitter),
        cmocka_unit_test(mixed_modulation_is_separated),
        cmocka_unit_test(a_line_on_one_side_is_additive),
        cmocka_unit_test(a_faint_sideband_is_read_in_noise),
        cmocka_unit_test(what_other_lines_hide_is_within_the_bound),
        cmocka_unit_test(drift_is_no_jitter),
        cmocka_unit_test(neighbours_are_told_apart),
        cmocka_unit_test(a_strong_line_has_no_neighbours),
        cmocka_unit_test(phases_of_lines_count),
        cmocka_unit_test(random_jitter_is_told_from_added_noise),
        cmocka_unit_test(hum_is_listed_as_mains),
        cmocka_unit_test(a_large_index_is_its_own),
        cmocka_unit_test(folded_jitter_is_no_value),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
