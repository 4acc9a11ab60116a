/* `distortion` on recordings that mislead: two clocks, mains, folded harmonics, odd
 * channels, short and silent takes. Expected values are closed forms of what was put in.
 */
#include "analysis/measurements/distortion.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/analysis/measurements/tones.h"

static struct tones tone_of(double frequency_hz, double amplitude)
{
    return (struct tones){.sample_rate_hz = 48000,
                          .duration_s = 10,
                          .frequency_hz = frequency_hz,
                          .phase = 0.7,
                          .partials = {{1, amplitude, 0, 0}},
                          .partial_count = 1,
                          .random = support_random_seed(43)};
}

/* Level 0.001 dB and frequency 0.01 ppm at any phase, rate and place in a bin, ±200 ppm.
 */
static void level_and_frequency_hold_on_any_clock(void **state)
{
    static const int rates[] = {44100,  48000,  88200,  96000,
                                176400, 192000, 384000, 768000};
    const uint64_t seed = 2026;
    struct support_random random = support_random_seed(seed);
    (void)state;
    print_message("seed %llu\n", (unsigned long long)seed);
    for (int i = 0; i < 40; i++) {
        struct tones tones = tone_of(0, 0);
        double level = -100 * support_uniform(&random);
        tones.sample_rate_hz = rates[i % 8];
        tones.duration_s = 1 + 4 * support_uniform(&random);
        tones.frequency_hz =
            80 * pow(225, support_uniform(&random)); /* 80 Hz to 18 kHz */
        tones.ppm = 400 * support_uniform(&random) - 200;
        tones.phase = 7 * support_uniform(&random);
        tones.partials[0].amplitude = pow(10, level / 20);
        tones.dc = 0.01;
        struct report *report = tones_measure(&tones, NULL);
        double want_hz = tones.frequency_hz * (1 + tones.ppm * 1e-6);
        assert_close(synthetic_value(report, 0, "fundamental_level"), level, 0.001);
        assert_close(
            1e6 * (synthetic_value(report, 0, "fundamental_frequency") / want_hz - 1), 0,
            0.01);
        assert_close(synthetic_value(report, 0, "dc_offset"), 0.01, 1e-7);
        report_free(report);
    }
}

/* A harmonic 50 dB above the noise in its lobe reads within 0.02 dB: noise −120 dBFS in
 * band, 15 bins of 0.73 Hz hold −152.6, harmonics at −100 dBFS. ±200 ppm and 1 ppm in 10
 * s. */
static void harmonics_hold_over_noise_and_drift(void **state)
{
    static const double frequencies[] = {61.3, 997, 6003.7};
    (void)state;
    for (int i = 0; i < 3; i++) {
        struct tones tones = tone_of(frequencies[i], 0.5);
        tones.ppm = 200 - 200 * i;
        tones.drift_ppm_per_s = 0.1;
        tones.duration_s = 60;
        tones.noise_rms = 0.7746e-6; /* −120 dBFS from 20 Hz to 20 kHz */
        tones.partials[1] = tones_harmonic_of(2, 1e-5, 0.2);
        tones.partials[2] = tones_harmonic_of(3, 1e-5, 2);
        tones.partial_count = 3;
        struct report *report = tones_measure(&tones, NULL);
        assert_close(synthetic_value(report, 0, "fundamental_level"), -6.0206, 0.001);
        assert_close(tones_harmonic(report, 0, 2, "level_dbc"), -93.9794, 0.02);
        assert_close(tones_harmonic(report, 0, 3, "level_dbc"), -93.9794, 0.02);
        assert_close(synthetic_value(report, 0, "snr"), 113.9794, 0.05);
        double residual = 2e-10 + 1e-12; /* two harmonics and the noise, re full scale */
        assert_close(synthetic_value(report, 0, "sinad"), 10 * log10(0.25 / residual),
                     0.05);
        report_free(report);
    }
}

/* THD+N and SINAD within 0.05 dB from 10 s on, over noise. */
static void thd_plus_noise_holds_from_ten_seconds_on(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 8; seed++) {
        struct tones tones = tone_of(997, 0.5);
        tones.random = support_random_seed(seed);
        tones.noise_rms = 1e-5;
        tones.partials[1] = tones_harmonic_of(2, 1e-5, 0);
        tones.partial_count = 2;
        double residual = 1e-10 * 19980 / 24000 + 0.5e-10, fundamental = 0.125;
        struct report *report = tones_measure(&tones, NULL);
        assert_close(synthetic_value(report, 0, "sinad"),
                     10 * log10(fundamental / residual), 0.05);
        assert_close(synthetic_value(report, 0, "thd_plus_noise"),
                     10 * log10(residual / (fundamental + residual)), 0.05);
        report_free(report);
    }
}

/* Noise 140 and 150 dB below the tone: the side lobes of the tone, −161 dB of it, are
 * taken away but for a tenth. The mean of ten takes off the bin keeps the 0.05 dB;
 * untreated, leakage would show as 0.03 and 0.3 dB. */
static void side_lobes_are_no_noise(void **state)
{
    static const double rms[] = {0.7746e-7 * 0.8913, 0.2449e-7 * 0.8913};
    (void)state;
    for (int i = 0; i < 2; i++) {
        double error = 0;
        for (uint64_t seed = 1; seed <= 10; seed++) {
            struct tones tones = tone_of(997.3, 0.8913);
            tones.random = support_random_seed(seed);
            tones.noise_rms = rms[i];
            struct report *report = tones_measure(&tones, NULL);
            double noise = rms[i] * rms[i] * 19980 / 24000;
            double want = 10 * log10(0.8913 * 0.8913 / 2 / noise);
            error += (synthetic_value(report, 0, "sinad") - want) / 10;
            report_free(report);
        }
        print_message("noise of rms %g: mean error %+.4f dB\n", rms[i], error);
        assert_close(error, 0, i == 0 ? 0.015 : 0.05);
    }
}

/* A clean tone that drifts 1 ppm in 10 s leaves no residual above −130 dB. */
static void a_drifting_clock_is_no_distortion(void **state)
{
    struct tones tones = tone_of(19000, 0.9);
    (void)state;
    tones.ppm = -150;
    tones.drift_ppm_per_s = 0.1;
    tones.duration_s = 120;
    struct report *report = tones_measure(&tones, NULL);
    assert_between(synthetic_value(report, 0, "thd_plus_noise"), -400, -130);
    report_free(report);
}

/* Mains 20 dB above the tone, its frequency told: the tone is measured, mains named. */
static void mains_stronger_than_the_tone_is_not_taken_for_it(void **state)
{
    struct tones tones = tone_of(997, 1e-3);
    struct settings settings = tones_settings(1000); /* nominal, within 1 % */
    (void)state;
    tones.partials[1] = tones_line(50, 1e-2, 0.1);
    tones.partials[2] = tones_line(150, 1e-3, 0.1);
    tones.partial_count = 3;
    tones.noise_rms = 1e-7;
    struct report *report = tones_measure(&tones, &settings);
    assert_close(synthetic_value(report, 0, "fundamental_level"), -60, 0.001);
    assert_close(synthetic_value(report, 0, "fundamental_frequency"), 997, 1e-5);
    assert_close(synthetic_value(report, 0, "mains_level"), 20.0432, 0.001);
    assert_close(synthetic_value(report, 0, "worst_spur_frequency"), 50, 0.01);
    assert_close(synthetic_value(report, 0, "worst_spur_level"), 20, 0.001);
    assert_close(synthetic_value(report, 0, "sfdr"), -20, 0.001);
    report_free(report);
}

/* 7100 Hz at 48 kHz: the fourth harmonic folds to 19600 Hz, the fifth to 12500. They are
 * named harmonics, kept out of THD, out of the noise and no spurs. */
static void folded_harmonics_are_named(void **state)
{
    struct tones tones = tone_of(7100, 0.5);
    (void)state;
    tones.noise_rms = 1e-6;
    tones.partials[1] = tones_harmonic_of(2, 0.5e-4, 0);
    tones.partials[2] = tones_harmonic_of(4, 0.5e-3, 1);
    tones.partials[3] = tones_harmonic_of(5, 0.5e-3, 2);
    tones.partial_count = 4;
    struct report *report = tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "thd"), -80, 0.001);
    for (int order = 4; order <= 5; order++) {
        assert_close(tones_harmonic(report, 0, order, "aliased"), 1, 0);
        assert_close(tones_harmonic(report, 0, order, "level_dbc"), -60, 0.001);
    }
    assert_close(tones_harmonic(report, 0, 4, "frequency_hz"), 19600, 0.01);
    assert_close(tones_harmonic(report, 0, 5, "frequency_hz"), 12500, 0.01);
    assert_close(tones_harmonic(report, 0, 2, "aliased"), 0, 0);
    assert_false(synthetic_figure(report, 0, "worst_spur_level")->has_value);
    double noise = 1e-12 * 19980 / 24000;
    assert_close(synthetic_value(report, 0, "noise_level"), 10 * log10(2 * noise), 0.05);
    double residual = 0.125 * (2e-6 + 1e-8) + noise; /* SINAD counts them all */
    assert_close(synthetic_value(report, 0, "sinad"), 10 * log10(0.125 / residual),
                 0.001);
    report_free(report);
}

/* A folded harmonic of high order is found by its place. */
static void folded_harmonics_of_high_order_are_no_spurs(void **state)
{
    struct tones tones = tone_of(997, 0.5);
    (void)state;
    tones.noise_rms = 1e-6;
    tones.partials[1] = tones_harmonic_of(3, 0.5e-3, 0);
    tones.partials[2] = tones_harmonic_of(61, 0.5e-4, 1); /* 60817 folds to 12817 Hz */
    tones.partial_count = 3;
    struct report *report = tones_measure(&tones, NULL);
    assert_false(synthetic_figure(report, 0, "worst_spur_level")->has_value);
    assert_close(synthetic_value(report, 0, "noise_level"),
                 10 * log10(2e-12 * 19980 / 24000), 0.05);
    report_free(report);
}

static double sign_of(double x)
{
    return x < 0 ? -0.5 : 0.5;
}

/* A square wave sampled as it is folds all its odd harmonics, 1/k each, into the band.
 * Named are those to order 1000; the strongest left is order 1001 at −60.0 dBc. */
static void the_folded_harmonics_of_a_square_are_named(void **state)
{
    struct tones tones = tone_of(997, 1);
    (void)state;
    tones.shape = sign_of;
    struct report *report = tones_measure(&tones, NULL);
    assert_between(synthetic_value(report, 0, "worst_spur_level"), -62, -59.8);
    assert_close(synthetic_value(report, 0, "sfdr"), 20 * log10(3), 0.02);
    assert_true(report->channels[0].findings[0].flag);
    report_free(report);
}

static void a_spur_is_named_with_its_level(void **state)
{
    struct tones tones = tone_of(997, 0.5);
    (void)state;
    tones.noise_rms = 1e-6;
    tones.partials[1] = tones_harmonic_of(3, 0.5e-3, 0);
    tones.partials[2] = tones_line(5003.3, 0.5e-4, 1);
    tones.partials[3] = tones_line(12345.6, 0.5e-5, 1);
    tones.partial_count = 4;
    struct report *report = tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "worst_spur_frequency"), 5003.3, 0.02);
    assert_close(synthetic_value(report, 0, "worst_spur_level"), -80, 0.02);
    assert_close(synthetic_value(report, 0, "sfdr"), 60, 0.001);
    assert_close(tones_cell(report, 0, "lines", 1, "frequency_hz"), 12345.6, 0.1);
    assert_close(tones_cell(report, 0, "lines", 1, "level_dbc"), -100, 0.3);
    double noise = 1e-12 * 19980 / 24000 + 0.125e-8 + 0.125e-10; /* spurs are noise */
    assert_close(synthetic_value(report, 0, "snr"), 10 * log10(0.125 / noise), 0.01);
    report_free(report);
}

/* 20 kHz to 0.45 of the rate holds its share of white noise; no such range at 44.1 kHz.
 */
static void noise_beyond_the_band_is_told_apart(void **state)
{
    struct tones tones = tone_of(997, 0.5);
    (void)state;
    tones.noise_rms = 1e-5;
    tones.sample_rate_hz = 192000;
    struct report *report = tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "out_of_band_noise"),
                 10 * log10(2e-10 * (86400 - 20000) / 96000), 0.05);
    report_free(report);
    tones.sample_rate_hz = 44100;
    report = tones_measure(&tones, NULL);
    assert_int_equal(synthetic_figure(report, 0, "out_of_band_noise")->reason,
                     REASON_ABOVE_BAND);
    report_free(report);
}

static void a_tone_whose_harmonics_leave_the_band_has_no_thd(void **state)
{
    struct tones tones = tone_of(15000, 0.5);
    (void)state;
    struct report *report = tones_measure(&tones, NULL);
    assert_int_equal(synthetic_figure(report, 0, "thd")->reason, REASON_ABOVE_BAND);
    report_free(report);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(level_and_frequency_hold_on_any_clock),
        cmocka_unit_test(harmonics_hold_over_noise_and_drift),
        cmocka_unit_test(thd_plus_noise_holds_from_ten_seconds_on),
        cmocka_unit_test(side_lobes_are_no_noise),
        cmocka_unit_test(a_drifting_clock_is_no_distortion),
        cmocka_unit_test(mains_stronger_than_the_tone_is_not_taken_for_it),
        cmocka_unit_test(folded_harmonics_are_named),
        cmocka_unit_test(folded_harmonics_of_high_order_are_no_spurs),
        cmocka_unit_test(the_folded_harmonics_of_a_square_are_named),
        cmocka_unit_test(a_spur_is_named_with_its_level),
        cmocka_unit_test(noise_beyond_the_band_is_told_apart),
        cmocka_unit_test(a_tone_whose_harmonics_leave_the_band_has_no_thd),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
