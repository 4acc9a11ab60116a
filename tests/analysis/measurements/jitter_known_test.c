/* The pattern's own lines: closed form (LSB/2)·(4/192)/sin(πk/192), the transform of what
 * the signal renders, and recordings of it on other clocks, put together from its Fourier
 * series. */
#include "analysis/measurements/jitter_known.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/jitter.h"
#include "analysis/signals/jitter_pattern.h"
#include "tests/analysis/measurements/carriers.h"

enum { PERIOD = JITTER_PATTERN_FRAMES, CARRIER = PERIOD / 4 };

static struct settings pattern_parameters(int bits, int sample_rate_hz)
{
    struct settings settings;
    synthetic_defaults(&jitter_pattern_signal.description, &settings);
    settings.values[PARAMETER_SAMPLE_RATE_HZ].number = sample_rate_hz;
    settings.values[PARAMETER_CHANNELS].number = 1;
    settings.values[PARAMETER_BITS].number = bits;
    settings.values[JITTER_PATTERN_BITS].number = bits;
    return settings;
}

/* One period as it is rendered, full scale ±1. */
static void render(int bits, double *pattern)
{
    struct settings parameters = pattern_parameters(bits, 48000);
    struct signal_stream *stream = NULL;
    struct problem problem;
    int32_t samples[PERIOD];
    assert_true(jitter_pattern_signal.begin(&parameters, &stream, &problem));
    jitter_pattern_signal.next(stream, samples, PERIOD);
    jitter_pattern_signal.end(stream);
    for (int n = 0; n < PERIOD; n++)
        pattern[n] = ldexp(samples[n], 1 - bits);
}

/* Peak of line k with its cosine phase at the first frame: the plain sum. */
static double complex line_of(const double *pattern, int k)
{
    double complex sum = 0;
    for (int n = 0; n < PERIOD; n++)
        sum += pattern[n] * cexp(-2 * M_PI * I * (k * n % PERIOD) / PERIOD);
    return 2 * sum / PERIOD;
}

static void lines_are_those_of_the_signal(void **state)
{
    static const struct {
        int bits, k;
        double dbc; /* published with the pattern's use; computed again */
    } rows[] = {{16, 1, -91.22},  {16, 3, -100.76}, {16, 95, -126.94},
                {24, 1, -139.39}, {24, 3, -148.92}, {24, 95, -175.11}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double closed = ldexp(1, 1 - rows[i].bits) / 2 * 4 / PERIOD /
                        sin(M_PI * rows[i].k / PERIOD) / M_SQRT1_2;
        double complex line = jitter_known_line(rows[i].bits, rows[i].k - CARRIER);
        assert_close(20 * log10(cabs(line)), rows[i].dbc, 0.006);
        assert_close(cabs(line) / closed, 1, 1e-12);
    }
    for (int bits = 16; bits <= 24; bits += 8) {
        double pattern[PERIOD];
        render(bits, pattern);
        double complex carrier = line_of(pattern, CARRIER);
        for (int step = -JITTER_KNOWN_HIGHEST; step <= JITTER_KNOWN_HIGHEST; step += 2) {
            /* Turned back to where the carrier's phase is zero. */
            double complex want = line_of(pattern, CARRIER + step) / carrier *
                                  cexp(-I * carg(carrier) * step / CARRIER);
            double complex got = jitter_known_line(bits, step);
            assert_close(cabs(got - want) / cabs(want), 0, 1e-7);
        }
    }
}

struct played {
    int bits, sample_rate_hz, playback_rate_hz;
    double duration_s;
    double complex lines[CARRIER * 2];
    double delay, ppm, drift_ppm_per_s, sign,
        noise_rms;                /* delay: frames of the pattern */
    double jitter_s, jitter_step; /* locked to the pattern */
    bool held;                    /* each sample until the next */
    struct support_random random;
};

/* sin(πx)/(πx), x = f over the playback rate: closed form. Its delay is the pattern's. */
static double held_gain(int k)
{
    double x = M_PI * k / PERIOD;
    return sin(x) / x;
}

/* Each line of the series, all of one clock; what jitter does to the carrier. */
static double sample(int64_t n, int channel, void *context)
{
    struct played *played = context;
    double hz = played->playback_rate_hz / 4.0, sum = 0;
    double turns = synthetic_turns(hz / CARRIER, played->ppm, played->drift_ppm_per_s,
                                   played->sample_rate_hz, n) -
                   played->delay / PERIOD;
    (void)channel;
    double complex base = cexp(2 * M_PI * I * turns), turn = base;
    double jitter_s = played->jitter_s * cos(2 * M_PI * played->jitter_step * turns + 1);
    for (int k = 1; k < 2 * CARRIER; k++, turn *= base) {
        double gain = played->held ? held_gain(k) / held_gain(CARRIER) : 1;
        if (k == CARRIER)
            sum += creal(played->lines[k] * turn * cexp(2 * M_PI * I * hz * jitter_s));
        else if (k % 2)
            sum += gain * creal(played->lines[k] * turn);
    }
    if (played->noise_rms > 0)
        sum += played->noise_rms * support_gaussian(&played->random);
    return played->sign * sum;
}

static struct played played_of(int bits)
{
    struct played played = {.bits = bits,
                            .sample_rate_hz = 48000,
                            .playback_rate_hz = 48000,
                            .duration_s = 10,
                            .delay = 77.3,
                            .ppm = -120,
                            .drift_ppm_per_s = 0.1,
                            .sign = 1,
                            .random = support_random_seed(33)};
    double pattern[PERIOD];
    render(bits, pattern);
    for (int k = 1; k < 2 * CARRIER; k++)
        played.lines[k] = line_of(pattern, k);
    return played;
}

static struct report *measure(struct played *played, const struct settings *settings,
                              bool told)
{
    struct synthetic synthetic = {
        played->sample_rate_hz, 1, played->duration_s, 0, sample, played};
    struct settings parameters =
        pattern_parameters(played->bits, played->playback_rate_hz);
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report = synthetic_measure_of(
        &jitter_measurement, descriptor, settings, told ? &jitter_pattern_signal : NULL,
        told ? &parameters : NULL, &problem);
    if (!report)
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    close(descriptor);
    return report;
}

/* On other clocks, anywhere in the pattern, either polarity, another rate: nothing but
 * the pattern. The carrier is a quarter of the playback rate, which only the signal tells
 * where the recording has another rate. */
static void the_pattern_alone_is_no_jitter(void **state)
{
    static const struct {
        int bits, rate, playback;
        double delay, sign;
        bool held;
    } rows[] = {{16, 48000, 48000, 0, 1, false},   {16, 48000, 48000, 190.4, -1, false},
                {16, 48000, 48000, 33.3, 1, true}, {16, 96000, 44100, 51.7, 1, false},
                {24, 48000, 48000, 96, 1, false},  {24, 44100, 48000, 13.3, -1, false}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct played played = played_of(rows[i].bits);
        played.sample_rate_hz = rows[i].rate;
        played.playback_rate_hz = rows[i].playback;
        played.delay = rows[i].delay;
        played.sign = rows[i].sign;
        played.held = rows[i].held;
        played.noise_rms = rows[i].bits == 16 ? 1e-7 : 1e-9;
        struct report *report = measure(&played, NULL, true);
        const struct report_figure *worst = synthetic_figure(report, 0, "worst_sideband");
        assert_true(!worst->has_value && worst->has_bound);
        assert_true(!synthetic_figure(report, 0, "jitter_rms")->has_value);
        assert_close(synthetic_value(report, 0, "clock_offset"), -119.5, 0.02);
        int row = carriers_row(report, 0, rows[i].playback / 192.0 * (1 - 119.5e-6));
        for (int other = 0; other < carriers_rows(report, 0); other++) {
            assert_string_equal(carriers_word(report, 0, other, "origin"),
                                "test_pattern");
            assert_true(isnan(carriers_cell(report, 0, other, "phase_modulation_dbc")));
        }
        double want = 20 * log10(cabs(jitter_known_line(rows[i].bits, 1)));
        assert_close(carriers_cell(report, 0, row, "upper_dbc"), want, 0.3);
        report_free(report);
    }
}

/* 250 Hz of jitter locked to the pattern, as a converter's supply would give: the pattern
 * has lines of −124 dBc there, and is taken away in phase. A converter that holds its
 * samples makes line k = 1 stronger than the carrier by 0.91 dB, which is no jitter. */
static void jitter_on_the_pattern_is_the_excess(void **state)
{
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct played played = played_of(16);
        double dbc = i % 2 ? -115 : -126;
        played.jitter_step = i < 2 ? 1 : 5;
        played.jitter_s = decibel_to_amplitude(dbc) / (M_PI * 12000);
        played.held = true;
        played.noise_rms = 1e-7;
        struct report *report = measure(&played, NULL, i % 2);
        double hz = 250 * played.jitter_step * (1 - 119.5e-6);
        int row = carriers_row(report, 0, hz);
        assert_close(synthetic_value(report, 0, "worst_sideband"), dbc, 0.2);
        assert_close(synthetic_value(report, 0, "worst_sideband_offset"), hz, 0.01);
        assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") /
                         (2 * played.jitter_s),
                     1, 0.03);
        assert_string_equal(carriers_word(report, 0, row, "kind"), "phase");
        assert_string_equal(carriers_word(report, 0, row, "origin"), "test_pattern");
        row = carriers_row(report, 0, 47 * 250 * (1 - 119.5e-6));
        assert_string_equal(carriers_word(report, 0, row, "kind"), "null");
        assert_close(carriers_cell(report, 0, row, "lower_dbc"), -91.22 + 0.912, 0.03);
        report_free(report);
    }
}

/* The bits that one who does not know them finds; `none` leaves the lines as they are. */
static void pattern_bits_are_found_or_left(void **state)
{
    struct played played = played_of(16);
    struct settings settings;
    (void)state;
    played.noise_rms = 1e-7;
    synthetic_defaults(&jitter_measurement.description, &settings);
    struct setting_value *bits = &settings.values[SETTING_COMMON_COUNT + 2];
    assert_string_equal(settings.description->settings[SETTING_COMMON_COUNT + 2].name,
                        "pattern_bits");
    bits->choice = 1; /* none */
    struct report *report = measure(&played, &settings, false);
    int row = carriers_row(report, 0, 250 * (1 - 119.5e-6));
    assert_string_equal(carriers_word(report, 0, row, "origin"), "mains"); /* 5·50 Hz */
    assert_true(!synthetic_figure(report, 0, "clock_offset")->has_value);
    report_free(report);
    *bits = (struct setting_value){.given = true, .choice = -1, .number = 24};
    report = measure(&played, &settings, false);
    row = carriers_row(report, 0, 750 * (1 - 119.5e-6));
    assert_string_equal(carriers_word(report, 0, row, "origin"), "test_pattern");
    assert_true(!synthetic_figure(report, 0, "jitter_rms")->has_value);
    assert_int_equal(report->warning_count, 1);
    assert_string_equal(report->warnings[0].code, "wrong_signal");
    assert_non_null(strstr(report->warnings[0].message, "lines of 16 bits"));
    report_free(report);
    bits->number = 16;
    report = measure(&played, &settings, false);
    row = carriers_row(report, 0, 750 * (1 - 119.5e-6));
    assert_string_equal(carriers_word(report, 0, row, "origin"), "test_pattern");
    assert_close(synthetic_value(report, 0, "clock_offset"), -119.5, 0.02);
    assert_int_equal(report->warning_count, 0);
    report_free(report);
}

/* Two segments do not tell the pattern's lines from jitter, so nothing is said, unless
 * none is told. */
static void too_short_for_the_pattern_is_said(void **state)
{
    struct played played = played_of(16);
    struct settings settings;
    (void)state;
    played.sample_rate_hz = 192000;
    played.duration_s = 0.6;
    played.noise_rms = 1e-5;
    struct report *report = measure(&played, NULL, true);
    const struct report_figure *figure = synthetic_figure(report, 0, "jitter_rms");
    assert_true(!figure->has_value && !figure->has_bound);
    assert_int_equal(figure->reason, REASON_NOT_ENOUGH_DATA);
    report_free(report);
    synthetic_defaults(&jitter_measurement.description, &settings);
    settings.values[SETTING_COMMON_COUNT + 2].choice = 1; /* none */
    report = measure(&played, &settings, true);
    assert_true(synthetic_figure(report, 0, "jitter_rms")->has_value);
    report_free(report);
}

/* As rendered, at the same rate: every line lies where the closed form says. */
static void the_file_itself_is_exact(void **state)
{
    (void)state;
    for (int bits = 16; bits <= 24; bits += 8) {
        struct played played = played_of(bits);
        played.ppm = played.drift_ppm_per_s = played.delay = 0;
        struct report *report = measure(&played, NULL, false);
        int row = carriers_row(report, 0, 47 * 250);
        assert_close(carriers_cell(report, 0, row, "lower_dbc"),
                     bits == 16 ? -91.22 : -139.39, 0.006);
        assert_close(carriers_cell(report, 0, row, "upper_dbc"),
                     bits == 16 ? -126.94 : -175.11, 0.01);
        assert_close(synthetic_value(report, 0, "clock_offset"), 0, 1e-6);
        assert_true(!synthetic_figure(report, 0, "worst_sideband")->has_value);
        report_free(report);
    }
}

/* The fifth harmonic of the mains lies where a pattern at 48 kHz has its first line, and
 * the fifteenth where it has the second. */
static void hum_is_not_taken_for_the_pattern(void **state)
{
    (void)state;
    for (int i = 0; i < 3; i++) {
        struct carriers carriers = carriers_of(12000);
        double level = cabs(jitter_known_line(16, 1 - CARRIER));
        for (int k = 1; k <= 15; k += 2)
            carriers.added[carriers.added_count++] =
                (struct carriers_line){(50 + 0.002 * i) * k, level * 5 / k, 0.3 * k * k};
        carriers.ppm = 0;
        carriers.noise_rms = 1e-8;
        struct report *report = carriers_measure(&carriers, NULL);
        for (int row = 0; row < carriers_rows(report, 0); row++)
            assert_string_equal(carriers_word(report, 0, row, "kind"), "additive");
        int row = carriers_row(report, 0, 12000 - (50 + 0.002 * i) * 5);
        assert_string_equal(carriers_word(report, 0, row, "origin"), "mains");
        report_free(report);
    }
}

/* Sidebands of a plain tone that lie some bins beside where a pattern would have lines.
 */
static void sidebands_are_not_taken_for_the_pattern(void **state)
{
    struct carriers carriers = carriers_of(13705.613);
    static const double lines[][3] = {{642.951, -90.16, 4.61},
                                      {8111.937, -104.35, 1.94},
                                      {9415.707, -89.29, 2.02},
                                      {8835.385, -85.99, 2.80}};
    double squares = 0;
    (void)state;
    carriers.sample_rate_hz = 96000;
    carriers.duration_s = 2;
    carriers.level_dbfs = -18.83;
    carriers.ppm = -91.216;
    carriers.drift_ppm_per_s = 0.038;
    carriers.noise_rms = 1.6e-6;
    for (int i = 0; i < 4; i++) {
        double peak_s = decibel_to_amplitude(lines[i][1]) / (M_PI * 13705.613);
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){lines[i][0], peak_s, lines[i][2]};
        squares += peak_s * peak_s / 2;
    }
    for (int i = 0; i < 8; i++) {
        carriers.phase = 0.3 * i;
        carriers.random = support_random_seed(200 + (uint64_t)i);
        struct report *report = carriers_measure(&carriers, NULL);
        for (int row = 0; row < carriers_rows(report, 0); row++)
            assert_string_equal(carriers_word(report, 0, row, "origin"), "unknown");
        assert_close(synthetic_value(report, 0, "jitter_rms") / sqrt(squares), 1, 0.005);
        report_free(report);
    }
}

/* Jitter four bins beside a line of the pattern is counted once. */
static void jitter_beside_the_pattern_counts_once(void **state)
{
    struct carriers carriers = carriers_of(12000);
    const double beside_hz = 2250 + 4 * 48000 / 65536.0, peak_s = 1e-10;
    (void)state;
    carriers.ppm = 0;
    carriers.noise_rms = 1e-7;
    for (int k = 1; k < 96; k += 2) {
        double complex line = jitter_known_line(16, k - CARRIER);
        carriers.added[carriers.added_count++] = (struct carriers_line){
            250 * k, cabs(line),
            carg(line) + carriers.phase * (1 + (k - CARRIER) / (double)CARRIER)};
    }
    carriers.jitter_s[carriers.jitter_count++] =
        (struct carriers_line){beside_hz, peak_s, 1};
    struct report *report = carriers_measure(&carriers, NULL);
    assert_true(synthetic_figure(report, 0, "clock_offset")->has_value);
    assert_close(synthetic_value(report, 0, "jitter_rms") * M_SQRT2 / peak_s, 1, 0.005);
    assert_close(synthetic_value(report, 0, "worst_sideband"),
                 carriers_dbc(12000, peak_s), 0.05);
    report_free(report);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lines_are_those_of_the_signal),
        cmocka_unit_test(the_pattern_alone_is_no_jitter),
        cmocka_unit_test(jitter_on_the_pattern_is_the_excess),
        cmocka_unit_test(pattern_bits_are_found_or_left),
        cmocka_unit_test(too_short_for_the_pattern_is_said),
        cmocka_unit_test(the_file_itself_is_exact),
        cmocka_unit_test(hum_is_not_taken_for_the_pattern),
        cmocka_unit_test(sidebands_are_not_taken_for_the_pattern),
        cmocka_unit_test(jitter_beside_the_pattern_counts_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
