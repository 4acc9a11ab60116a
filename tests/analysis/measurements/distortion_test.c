/* `distortion` against closed forms and published values. */
#include "analysis/measurements/distortion.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "tests/analysis/measurements/tones.h"

static struct tones tone_of(double frequency_hz, double amplitude)
{
    return (struct tones){.sample_rate_hz = 48000,
                          .duration_s = 10,
                          .frequency_hz = frequency_hz,
                          .ppm = 37,
                          .phase = 0.7,
                          .partials = {{1, amplitude, 0, 0}},
                          .partial_count = 1,
                          .random = support_random_seed(41)};
}

/* Closed form: √(0.001² + 0.0005²) = 0.111803 %, −59.03 dB; phases as put in. */
static void two_harmonics_add_as_powers(void **state)
{
    struct tones tones = tone_of(997, 0.5);
    (void)state;
    tones.partials[1] = tones_harmonic_of(2, 0.5e-3, 0.5);
    tones.partials[2] = tones_harmonic_of(3, 0.25e-3, -2);
    tones.partial_count = 3;
    tones.noise_rms = 1e-7;
    struct report *report = tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "thd"), -59.0309, 0.001);
    assert_close(synthetic_value(report, 0, "thd_percent"), 0.111803, 1e-5);
    assert_close(tones_harmonic(report, 0, 2, "level_dbc"), -60, 0.001);
    assert_close(tones_harmonic(report, 0, 3, "level_dbc"), -66.0206, 0.002);
    assert_close(tones_harmonic(report, 0, 2, "phase_deg"), 0.5 * 180 / M_PI, 0.01);
    assert_close(tones_harmonic(report, 0, 3, "phase_deg"), -2 * 180 / M_PI, 0.02);
    assert_true(isnan(tones_harmonic(report, 0, 4, "level_dbc")));
    assert_close(tones_harmonic(report, 0, 4, "above_noise"), 0, 0);
    assert_between(tones_harmonic(report, 0, 4, "bound_dbc"), -190, -140);
    report_free(report);
}

/* Fourier series: square 4/πn, triangle 8/(πn)², sawtooth 2/πn. Published THD of all
 * orders: 48.3426, 12.1153 and 80.3078 %; to the 19th order the square reads 45.6860 %.
 * Higher orders are summed here as the measurement must: up to the 100th. */
static void waveforms_read_their_published_thd(void **state)
{
    static const struct {
        const char *name;
        int step, power, highest;
        double published,
            without; /* %, and what the orders beyond `highest` account for */
    } rows[] = {{"square to the 19th", 2, 1, 19, 45.6860, 0},
                {"square", 2, 1, 99, 48.3426, 0.55},
                {"triangle", 2, 2, 99, 12.1153, 0.0002},
                {"sawtooth", 1, 1, 100, 80.3078, 0.63}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct tones tones = tone_of(97, 0);
        struct settings settings = tones_settings(0);
        double squares = 0;
        tones.partial_count = 0;
        for (int n = 1; n <= rows[i].highest; n += rows[i].step) {
            double amplitude = 0.5 / pow(n, rows[i].power);
            tones.partials[tones.partial_count++] = tones_harmonic_of(n, amplitude, 0);
            squares += n > 1 ? pow(amplitude / 0.5, 2) : 0;
        }
        settings.values[SETTING_COMMON_COUNT + 1].number = 100; /* harmonics */
        struct report *report = tones_measure(&tones, &settings);
        double percent = synthetic_value(report, 0, "thd_percent");
        assert_close(percent, 100 * sqrt(squares), 1e-4);
        assert_between(rows[i].published - percent, -0.00006, rows[i].without);
        report_free(report);
    }
}

static double clip_level;

static double clip(double x)
{
    return fmax(-clip_level, fmin(clip_level, x));
}

/* Closed form: a sine clipped at ±c, θ = arcsin c: b1 = (2/π)(θ + sinθ cosθ),
 * bn = (2/πn)[sin((n−1)θ)/(n−1) + sin((n+1)θ)/(n+1)]. c = 0.9: H3/H1 −29.67 dB, THD of
 * all orders 4.2199 %; c = 0.5: −12.91 dB, 23.2938 %. Folded orders fall below these
 * digits at 768 kHz. */
static void a_clipped_sine_reads_its_fourier_series(void **state)
{
    static const struct {
        double level, third_db, percent;
    } rows[] = {{0.9, -29.67, 4.2199}, {0.5, -12.91, 23.2938}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct tones tones = tone_of(97, 1);
        struct settings settings = tones_settings(0);
        double theta = asin(rows[i].level);
        double b1 = theta + sin(theta) * cos(theta), b5 = sin(4 * theta) / 4;
        clip_level = rows[i].level;
        tones.shape = clip;
        tones.sample_rate_hz = 768000;
        tones.duration_s = 4;
        settings.values[SETTING_COMMON_COUNT + 1].number = 100;
        struct report *report = tones_measure(&tones, &settings);
        assert_close(tones_harmonic(report, 0, 3, "level_dbc"), rows[i].third_db, 0.006);
        b5 = (b5 + sin(6 * theta) / 6) / 5;
        assert_close(tones_harmonic(report, 0, 5, "level_dbc"), 20 * log10(fabs(b5 / b1)),
                     0.01);
        assert_close(synthetic_value(report, 0, "thd_percent") / rows[i].percent, 1,
                     3e-4);
        assert_true(report->channels[0].findings[0].flag); /* overload */
        report_free(report);
    }
}

static double bend(double x)
{
    return x + 2e-3 * x * x + 3e-3 * x * x * x;
}

/* Closed form: x + a2·x² + a3·x³ gives H2 = a2·A²/2 and H3 = a3·A³/4 on A + 3·a3·A³/4. */
static void a_polynomial_gives_its_harmonics(void **state)
{
    struct tones tones = tone_of(997, 0.8);
    const double a = 0.8, first = a + 0.75 * 3e-3 * a * a * a;
    (void)state;
    tones.shape = bend;
    struct report *report = tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "fundamental_level"), 20 * log10(first),
                 1e-5);
    assert_close(tones_harmonic(report, 0, 2, "level_dbc"),
                 20 * log10(2e-3 * a * a / 2 / first), 1e-4);
    assert_close(tones_harmonic(report, 0, 3, "level_dbc"),
                 20 * log10(3e-3 * a * a * a / 4 / first), 1e-4);
    assert_false(report->channels[0].findings[0].flag);
    report_free(report);
}

/* IEEE 1241: ENOB = (SINAD − 1.76)/6.02; 62 dB → 10.007, 98 dB → 15.99. */
static void sinad_gives_the_equivalent_bits(void **state)
{
    static const double rows[][2] = {{62, 10.007}, {98, 15.987}};
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct tones tones = tone_of(997, 0.5);
        struct settings settings = tones_settings(0);
        tones.partials[1] = tones_harmonic_of(2, 0.5 * pow(10, -rows[i][0] / 20), 0);
        tones.partial_count = 2;
        settings.values[SETTING_COMMON_COUNT + 3].number = -1; /* full_scale_level_dbfs */
        struct report *report = tones_measure(&tones, &settings);
        assert_close(synthetic_value(report, 0, "sinad"), rows[i][0], 1e-3);
        assert_close(synthetic_value(report, 0, "enob"), rows[i][1], 1e-3);
        double more = (-1 - 20 * log10(0.5)) / 6.02;
        assert_close(synthetic_value(report, 0, "enob_full_scale"), rows[i][1] + more,
                     1e-3);
        report_free(report);
    }
}

/* Closed form: TPDF dither and rounding leave white noise of LSB²/4 in total; from 20 Hz
 * to 20 kHz at 48 kHz −94.12 dBFS, A-weighted −96.16 (computed from the curve). */
static void sixteen_bits_with_tpdf_dither_read_their_noise(void **state)
{
    struct tones tones = tone_of(997, 0.89);
    (void)state;
    tones.quantise_bits = 16;
    tones.dither = true;
    tones.duration_s = 20;
    struct report *report = tones_measure(&tones, NULL);
    assert_close(synthetic_value(report, 0, "noise_level"), -94.12, 0.05);
    assert_close(synthetic_value(report, 0, "noise_level_a"), -96.16, 0.06);
    assert_int_equal(report->warning_count, 0);
    report_free(report);
}

/* Undithered, 1 kHz repeats after 48 samples at 48 kHz and its error falls on harmonics
 * (raw lines near −99.6 dBc); 997 Hz spreads it: at least 25 dB less THD. Computed by
 * direct sums. */
static void undithered_1_khz_is_named_correlated(void **state)
{
    double thd[2];
    (void)state;
    for (int i = 0; i < 2; i++) {
        double frequency_hz = i ? 997 : 1000;
        struct tones tones = tone_of(frequency_hz, (1 - 0x1p-15) * pow(10, -0.15));
        struct settings settings = tones_settings(frequency_hz);
        tones.ppm = 0;
        tones.phase = 0;
        tones.quantise_bits = 16;
        struct report *report = tones_measure(&tones, &settings);
        const struct report_figure *figure = synthetic_figure(report, 0, "thd");
        thd[i] = figure->has_value ? figure->value : figure->bound;
        assert_int_equal(report->warning_count, i ? 0 : 1);
        if (i == 0)
            assert_string_equal(report->warnings[0].code, "correlated_quantisation");
        report_free(report);
    }
    assert_close(thd[0], -98.967, 0.001);
    assert_between(thd[0] - thd[1], 20, 60);
}

static void dithered_1_khz_raises_no_warning(void **state)
{
    struct tones tones = tone_of(1000, 0.9);
    struct settings settings = tones_settings(1000);
    (void)state;
    tones.ppm = 0;
    tones.quantise_bits = 16;
    tones.dither = true;
    struct report *report = tones_measure(&tones, &settings);
    assert_int_equal(report->warning_count, 0);
    report_free(report);
}

/* Closed form: a notch of Q 1.2 takes −1.168 dB off the second harmonic. */
static void a_notch_weighs_the_second_harmonic(void **state)
{
    struct tones tones = tone_of(997, 0.5);
    struct settings settings = tones_settings(0);
    (void)state;
    tones.partials[1] = tones_harmonic_of(2, 0.5e-3, 0);
    tones.partial_count = 2;
    settings.values[SETTING_COMMON_COUNT + 2].choice = -1;
    settings.values[SETTING_COMMON_COUNT + 2].number = 1.2;
    struct report *report = tones_measure(&tones, &settings);
    assert_close(synthetic_value(report, 0, "thd"), -60, 1e-4);
    assert_close(synthetic_value(report, 0, "sinad"), 61.168, 0.0006);
    report_free(report);
}

/* A clean tone in double precision: the program's own floor. */
static void a_clean_tone_reads_below_155_db(void **state)
{
    static const int rates[] = {44100, 48000, 96000, 192000, 768000};
    (void)state;
    for (size_t i = 0; i < sizeof rates / sizeof *rates; i++) {
        struct tones tones = tone_of(997, 1);
        tones.sample_rate_hz = rates[i];
        tones.duration_s = 5;
        struct report *report = tones_measure(&tones, NULL);
        assert_between(synthetic_value(report, 0, "thd_plus_noise"), -400, -155);
        assert_false(synthetic_figure(report, 0, "thd")->has_value);
        assert_between(synthetic_figure(report, 0, "thd")->bound, -400, -155);
        assert_false(report->channels[0].findings[0].flag);
        report_free(report);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_harmonics_add_as_powers),
        cmocka_unit_test(waveforms_read_their_published_thd),
        cmocka_unit_test(a_clipped_sine_reads_its_fourier_series),
        cmocka_unit_test(a_polynomial_gives_its_harmonics),
        cmocka_unit_test(sinad_gives_the_equivalent_bits),
        cmocka_unit_test(sixteen_bits_with_tpdf_dither_read_their_noise),
        cmocka_unit_test(undithered_1_khz_is_named_correlated),
        cmocka_unit_test(dithered_1_khz_raises_no_warning),
        cmocka_unit_test(a_notch_weighs_the_second_harmonic),
        cmocka_unit_test(a_clean_tone_reads_below_155_db),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
