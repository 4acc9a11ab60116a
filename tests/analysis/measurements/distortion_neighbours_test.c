/* `distortion` where something stands close to the tone or its harmonics, where the tone
 * is low, and where there is too little of it. Expected values are closed forms of what
 * was put in.
 */
#include "analysis/measurements/distortion.h"

#include <math.h>
#include <unistd.h>

#include "tests/analysis/measurements/tones.h"

static struct tones tone_of(double frequency_hz, double amplitude, double noise_rms)
{
    return (struct tones){.sample_rate_hz = 48000,
                          .duration_s = 10,
                          .frequency_hz = frequency_hz,
                          .phase = 0.7,
                          .partials = {{1, amplitude, 0, 0}},
                          .partial_count = 1,
                          .noise_rms = noise_rms,
                          .random = support_random_seed(47)};
}

/* A stray line is a spur, even where some harmonic of very high order would fold to: of
 * 40 drawn at random (seed fixed) all are named. 5583.211 Hz is within 0.15 bin of order
 * 986. */
static void stray_lines_are_not_taken_for_folded_harmonics(void **state)
{
    struct support_random random = support_random_seed(471);
    (void)state;
    for (int i = 0; i < 40; i++) {
        struct tones tones = tone_of(997, 0.5, 1e-5);
        double hz = i == 0 ? 5583.211 : 1200 + 18000 * support_uniform(&random);
        if (fabs(hz / 997 - round(hz / 997)) * 997 < 30)
            hz += 100;
        tones.duration_s = i == 0 ? 5 : 2;
        tones.partials[1] = tones_harmonic_of(2, 0.5e-3, 0);
        tones.partials[2] = tones_line(hz, 0.45e-3, 1);
        tones.partial_count = 3;
        struct report *report = tones_measure(&tones, NULL);
        assert_close(synthetic_value(report, 0, "worst_spur_frequency"), hz, 0.2);
        double noise = 1e-10 * 19980 / 24000 + 0.45e-3 * 0.45e-3 / 2;
        assert_close(synthetic_value(report, 0, "snr"), 10 * log10(0.125 / noise), 0.05);
        report_free(report);
    }
}

/* Mains beside a tone or a harmonic: measured where it can be told apart, else not
 * claimed. */
static void mains_beside_harmonics_is_told_or_not_claimed(void **state)
{
    static const struct {
        double tone_hz, mains_hz, mains_dbc;
        bool apart;
    } rows[] = {{110, 100, -60, true},  {47, 100, -40, false}, {55, 100, 20, false},
                {997, 50, -40, true},   {100, 50, -60, false}, {50, 150, -60, false},
                {1000, 100, -70, true}, {75.3, 60, -50, false}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double amplitude = rows[i].mains_dbc > 0 ? 1e-2 : 0.3;
        struct tones tones = tone_of(rows[i].tone_hz, amplitude, 1e-6);
        struct settings settings = tones_settings(rows[i].tone_hz);
        tones.partials[1] =
            tones_line(rows[i].mains_hz, amplitude * pow(10, rows[i].mains_dbc / 20), 1);
        tones.partial_count = 2;
        struct report *report = tones_measure(&tones, &settings);
        const struct report_figure *mains = synthetic_figure(report, 0, "mains_level");
        print_message("%g Hz beside %g Hz\n", rows[i].mains_hz, rows[i].tone_hz);
        if (rows[i].apart)
            assert_close(synthetic_value(report, 0, "mains_level"), rows[i].mains_dbc,
                         0.01);
        else
            assert_int_equal(mains->reason, REASON_NOT_DETERMINABLE);
        assert_false(!rows[i].apart && (mains->has_value || mains->has_bound));
        report_free(report);
    }
}

/* A line in the lobe of the second harmonic: THD is not claimed, its bound holds. */
static void a_line_in_a_harmonics_lobe_is_no_harmonic(void **state)
{
    struct tones tones = tone_of(997, 0.5, 1e-6);
    (void)state;
    tones.partials[1] = tones_harmonic_of(2, 0.5e-4, 0);
    tones.partials[2] = tones_line(2000, 0.5e-3, 1); /* 8 bins beside it */
    tones.partial_count = 3;
    struct report *report = tones_measure(&tones, NULL);
    const struct report_figure *thd = synthetic_figure(report, 0, "thd");
    assert_false(thd->has_value);
    assert_int_equal(thd->reason, REASON_NOT_DETERMINABLE);
    assert_between(thd->bound, -80, -60);
    assert_true(isnan(tones_harmonic(report, 0, 2, "level_dbc")));
    assert_between(tones_harmonic(report, 0, 2, "bound_dbc"), -80, -60);
    report_free(report);
}

/* From 20 Hz up every clean tone is measured, over nearly all of the recording. */
static void low_tones_are_steady(void **state)
{
    (void)state;
    for (double hz = 20; hz < 60; hz += 1.3) {
        struct tones tones = tone_of(hz, 0.5, 1e-6);
        struct report *report = tones_measure(&tones, NULL);
        assert_close(synthetic_value(report, 0, "fundamental_level"), -6.0206, 0.001);
        assert_close(synthetic_value(report, 0, "fundamental_frequency"), hz, 1e-6);
        assert_between(report->channels[0].end_s - report->channels[0].start_s, 8.5, 10);
        report_free(report);
    }
}

/* Mains 20 dB above a low tone makes the level ripple; the tone is still measured. */
static void a_low_tone_beside_stronger_mains_is_measured(void **state)
{
    struct tones tones = tone_of(55, 1e-2, 1e-6);
    struct settings settings = tones_settings(55);
    (void)state;
    tones.partials[1] = tones_line(60, 0.1, 1);
    tones.partial_count = 2;
    tones.duration_s = 20;
    struct report *report = tones_measure(&tones, &settings);
    assert_close(synthetic_value(report, 0, "fundamental_frequency"), 55, 1e-3);
    report_free(report);
}

/* Two segments tell no scatter: noise must not pass for harmonics. */
static void noise_is_no_distortion_in_short_takes(void **state)
{
    static const int rates[] = {8000, 16000, 32000};
    (void)state;
    for (uint64_t seed = 1; seed <= 30; seed++) {
        struct tones tones = tone_of(997, 0.5, 1e-3);
        tones.sample_rate_hz = rates[seed % 3];
        tones.duration_s = 1;
        tones.random = support_random_seed(seed);
        struct report *report = tones_measure(&tones, NULL);
        const struct report_figure *thd = synthetic_figure(report, 0, "thd");
        assert_false(thd->has_value);
        assert_between(thd->bound, -100, -40);
        report_free(report);
    }
}

/* Noise that rises towards dc as 1/f in power (a sum of one-pole filters an octave apart,
 * flat within 0.5 dB of that slope): what stands under a low tone is refilled without
 * bias. The truth is the same noise without the tone, read beside a tone of 5 kHz. */
struct pink {
    double poles[16];
    struct support_random random;
    double tone_hz;
};

static double pink_sample(int64_t n, int channel, void *context)
{
    struct pink *pink = context;
    double sum = 0;
    (void)channel;
    for (int i = 0; i < 16; i++) {
        double a = 2 * M_PI * 0.5 * pow(2, i) / 48000, keep = exp(-a);
        pink->poles[i] = keep * pink->poles[i] +
                         sqrt(1 - keep * keep) * support_gaussian(&pink->random);
        sum += pink->poles[i];
    }
    return 1e-4 * sum +
           0.5 * sin(2 * M_PI * synthetic_turns(pink->tone_hz, 0, 0, 48000, n));
}

static double pink_noise_dbfs(double tone_hz, uint64_t seed)
{
    struct pink pink = {.random = support_random_seed(seed), .tone_hz = tone_hz};
    struct synthetic synthetic = {48000, 1, 6, 0, pink_sample, &pink};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&distortion_measurement, descriptor, NULL, &problem);
    assert_non_null(report);
    double level = synthetic_value(report, 0, "noise_level");
    report_free(report);
    close(descriptor);
    return level;
}

static void noise_under_low_tones_is_refilled(void **state)
{
    static const double tones[] = {20, 31.5, 61.7, 100};
    (void)state;
    for (int i = 0; i < 4; i++) {
        double bias = 0;
        for (uint64_t seed = 1; seed <= 8; seed++)
            bias += (pink_noise_dbfs(tones[i], seed) - pink_noise_dbfs(5000, seed)) / 8;
        print_message("%g Hz: %+.3f dB\n", tones[i], bias);
        assert_close(bias, 0, 0.2);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stray_lines_are_not_taken_for_folded_harmonics),
        cmocka_unit_test(mains_beside_harmonics_is_told_or_not_claimed),
        cmocka_unit_test(a_line_in_a_harmonics_lobe_is_no_harmonic),
        cmocka_unit_test(low_tones_are_steady),
        cmocka_unit_test(a_low_tone_beside_stronger_mains_is_measured),
        cmocka_unit_test(noise_is_no_distortion_in_short_takes),
        cmocka_unit_test(noise_under_low_tones_is_refilled),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
