/* `jitter` where it could go wrong: rates, channels, short and empty recordings, no
 * carrier, what is stronger than the carrier, what only looks like jitter. */
#include "analysis/measurements/jitter.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/signals/jitter_pattern.h"
#include "tests/analysis/measurements/carriers.h"

enum {
    FREQUENCY_HZ = SETTING_COMMON_COUNT,
    PLAYBACK_RATE_HZ,
    PATTERN_BITS,
    OFFSET_BAND_HZ,
};

static struct settings defaults(void)
{
    struct settings settings;
    synthetic_defaults(&jitter_measurement.description, &settings);
    return settings;
}

static void give(struct settings *settings, int setting, double number)
{
    settings->values[setting] =
        (struct setting_value){.given = true, .choice = -1, .number = number};
}

/* From 44.1 to 768 kHz, carriers low and high, a second and longer: 1 ns peak to peak. */
static void every_rate_reads_the_same(void **state)
{
    static const struct {
        int rate;
        double hz, duration_s;
    } rows[] = {{44100, 11025, 1.1}, {44100, 18000, 3},   {88200, 22050, 2},
                {96000, 24000, 3},   {176400, 44100, 2},  {192000, 12000, 1.1},
                {384000, 48000, 2},  {768000, 192000, 2}, {8000, 2000, 5}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct carriers carriers = carriers_of(rows[i].hz);
        carriers.sample_rate_hz = rows[i].rate;
        carriers.duration_s = rows[i].duration_s;
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){777.7, 0.5e-9, 1};
        carriers.noise_rms = 1e-7;
        struct report *report = carriers_measure(&carriers, NULL);
        print_message("%d Hz\n", rows[i].rate);
        assert_close(synthetic_value(report, 0, "worst_sideband"),
                     carriers_dbc(rows[i].hz, 0.5e-9), 0.1);
        assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") / 1e-9, 1, 0.03);
        assert_close(synthetic_value(report, 0, "worst_sideband_offset"), 777.7, 0.1);
        report_free(report);
    }
}

static void eight_channels_agree(void **state)
{
    struct carriers carriers = carriers_of(12000);
    (void)state;
    carriers.channels = 8;
    carriers.duration_s = 3;
    carriers.jitter_s[carriers.jitter_count++] = (struct carriers_line){500, 0.5e-9, 1};
    carriers.noise_rms = 1e-7;
    struct report *report = carriers_measure(&carriers, NULL);
    assert_int_equal(report->channel_count, 8);
    for (int c = 0; c < 8; c++)
        assert_close(synthetic_value(report, c, "jitter_peak_to_peak") / 1e-9, 1, 0.01);
    report_free(report);
}

static double zero(int64_t n, int channel, void *context)
{
    (void)n;
    (void)channel;
    (void)context;
    return 0;
}

static double hiss(int64_t n, int channel, void *context)
{
    (void)n;
    (void)channel;
    return 0.1 * support_gaussian(context);
}

/* Another tone of the same level from the second half on. */
static double change(int64_t n, int channel, void *context)
{
    double hz = n < 48000 * 5 / 2 ? 9000 : 11000;
    (void)channel;
    (void)context;
    return 0.5 * sin(2 * M_PI * synthetic_turns(hz, 11, 0, 48000, n));
}

/* Too low, and a faint line beside it that is no carrier. */
static double low(int64_t n, int channel, void *context)
{
    (void)channel;
    return 0.5 * sin(2 * M_PI * synthetic_turns(300, 11, 0, 48000, n)) +
           5e-5 * sin(2 * M_PI * synthetic_turns(633.3, 11, 0, 48000, n)) +
           1e-7 * support_gaussian(context);
}

static double one_sided(int64_t n, int channel, void *context)
{
    (void)context;
    return channel ? 0.5 * sin(2 * M_PI * synthetic_turns(12000, 11, 0, 48000, n)) : 0;
}

static double edge(int64_t n, int channel, void *context)
{
    (void)channel;
    (void)context;
    return 0.5 * sin(2 * M_PI * synthetic_turns(23950, 11, 0, 48000, n));
}

static void no_carrier_is_said(void **state)
{
    struct support_random random = support_random_seed(5);
    static const struct {
        double (*sample)(int64_t, int, void *);
        double duration_s;
        const char *says;
    } rows[] = {{hiss, 5, "play the signal jitter-pattern"},
                {change, 5, "does not stay"},
                {low, 5, "strongest tone is at 300.0 Hz"},
                {one_sided, 0.2, "at least 1 s"}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct synthetic synthetic = {48000,          2,      rows[i].duration_s, 0,
                                      rows[i].sample, &random};
        struct problem problem = {0};
        int descriptor = synthetic_recording(&synthetic);
        struct report *report =
            synthetic_measure(&jitter_measurement, descriptor, NULL, &problem);
        assert_null(report);
        print_message("%s\n", problem.detail);
        assert_int_equal(problem.kind, PROBLEM_NOT_MEASURABLE);
        assert_non_null(strstr(problem.detail, rows[i].says));
        close(descriptor);
    }
}

static void silence_is_digital_silence(void **state)
{
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct synthetic synthetic = {48000, 2, 3, 0, i ? one_sided : zero, NULL};
        struct problem problem = {0};
        int descriptor = synthetic_recording(&synthetic);
        struct report *report =
            synthetic_measure(&jitter_measurement, descriptor, NULL, &problem);
        assert_non_null(report);
        const struct report_figure *figure =
            synthetic_figure(report, 0, "jitter_peak_to_peak");
        assert_true(!figure->has_value && figure->reason == REASON_DIGITAL_SILENCE);
        figure = synthetic_figure(report, 1, "carrier_level");
        assert_true(figure->has_value == (i == 1));
        report_free(report);
        close(descriptor);
    }
}

/* A carrier whose upper sidebands would not be in the recording; 1 kHz of room is enough
 * for those nearer. */
static void a_carrier_at_the_edge_is_refused(void **state)
{
    struct carriers carriers = carriers_of(23000);
    (void)state;
    carriers.duration_s = 3;
    carriers.jitter_s[carriers.jitter_count++] = (struct carriers_line){500, 0.5e-9, 1};
    carriers.noise_rms = 1e-8;
    struct report *report = carriers_measure(&carriers, NULL);
    assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") / 1e-9, 1, 0.01);
    report_free(report);
    struct synthetic synthetic = {48000, 1, 3, 0, edge, NULL};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    assert_null(synthetic_measure(&jitter_measurement, descriptor, NULL, &problem));
    assert_non_null(strstr(problem.detail, "near to half the sample rate"));
    close(descriptor);
}

/* Hum 6 dB above the carrier is none, being below 500 Hz; a louder tone is one, unless
 * frequency_hz tells which is meant. */
static void the_carrier_meant_is_taken(void **state)
{
    struct carriers carriers = carriers_of(12000);
    struct settings settings = defaults();
    (void)state;
    carriers.level_dbfs = -20;
    carriers.added[carriers.added_count++] = (struct carriers_line){50, 2, 0};
    carriers.added[carriers.added_count++] = (struct carriers_line){3000, 1.5, 0};
    carriers.jitter_s[carriers.jitter_count++] = (struct carriers_line){777, 0.5e-9, 1};
    carriers.noise_rms = 1e-8;
    struct report *report = carriers_measure(&carriers, NULL);
    assert_close(synthetic_value(report, 0, "carrier_frequency"), 3000, 0.01);
    assert_true(!synthetic_figure(report, 0, "clock_offset")->has_value);
    report_free(report);
    give(&settings, FREQUENCY_HZ, 12000);
    report = carriers_measure(&carriers, &settings);
    assert_close(synthetic_value(report, 0, "carrier_level"), -20, 0.001);
    assert_close(synthetic_value(report, 0, "jitter_peak_to_peak") / 1e-9, 1, 0.01);
    assert_close(synthetic_value(report, 0, "clock_offset"), 37, 0.01);
    report_free(report);
    /* The playback rate tells the nominal frequency too. */
    settings = defaults();
    give(&settings, PLAYBACK_RATE_HZ, 12000);
    report = carriers_measure(&carriers, &settings);
    assert_close(synthetic_value(report, 0, "clock_offset"), 0, 0.01);
    report_free(report);
}

/* The band of random jitter: white jitter, √(band) of it. */
static void the_band_is_that_asked_for(void **state)
{
    struct carriers carriers = carriers_of(11000);
    struct settings settings = defaults();
    (void)state;
    carriers.random_jitter_s = 1e-9;
    carriers.noise_rms = 1e-7;
    settings.values[OFFSET_BAND_HZ] =
        (struct setting_value){.given = true, .choice = -1, .range = {1000, 3000}};
    struct report *report = carriers_measure(&carriers, &settings);
    assert_close(synthetic_value(report, 0, "random_jitter_rms") / 1e-9,
                 sqrt(2000 / 24000.0), 0.03 * sqrt(2000 / 24000.0));
    report_free(report);
    settings.values[OFFSET_BAND_HZ].range[0] = 11500; /* beyond both sidebands */
    settings.values[OFFSET_BAND_HZ].range[1] = 11900;
    report = carriers_measure(&carriers, &settings);
    const struct report_figure *figure = synthetic_figure(report, 0, "random_jitter_rms");
    assert_true(!figure->has_value && figure->reason == REASON_ABOVE_BAND);
    report_free(report);
}

static void what_cannot_be_is_refused_by_name(void **state)
{
    static const struct {
        int setting;
        double number;
        const char *field;
    } rows[] = {{FREQUENCY_HZ, 24000, "frequency_hz"},
                {PATTERN_BITS, 17.5, "pattern_bits"}};
    struct synthetic synthetic = {48000, 1, 1, 0, one_sided, NULL};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct settings settings = defaults();
        struct problem problem = {0};
        give(&settings, rows[i].setting, rows[i].number);
        assert_null(
            synthetic_measure(&jitter_measurement, descriptor, &settings, &problem));
        assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
        assert_string_equal(problem.field, rows[i].field);
    }
    close(descriptor);
}

/* Harmonics of the carrier folded about half the sample rate, an image of it and a spur
 * near by stand on one side. A beat of two tones beside the carrier, one on either side
 * at equal distance and random phase, is what mixed modulation looks like, and is called
 * that: only its phase part counts. */
static void what_is_added_is_not_counted(void **state)
{
    struct carriers carriers = carriers_of(11025);
    (void)state;
    carriers.noise_rms = 1e-8;
    carriers.added[carriers.added_count++] =
        (struct carriers_line){48000 - 3 * 11025, 3e-5, 0};
    carriers.added[carriers.added_count++] = (struct carriers_line){22050, 1e-4, 0};
    carriers.added[carriers.added_count++] = (struct carriers_line){11040, 1e-5, 0};
    struct report *report = carriers_measure(&carriers, NULL);
    for (int row = 0; row < carriers_rows(report, 0); row++)
        assert_string_equal(carriers_word(report, 0, row, "kind"), "additive");
    assert_int_equal(carriers_rows(report, 0), 2); /* 22.05 kHz has no other side */
    assert_true(!synthetic_figure(report, 0, "jitter_rms")->has_value);
    report_free(report);
}

/* A sideband just above the noise: of 40 recordings, none is called additive. */
static void faint_modulation_is_not_called_additive(void **state)
{
    int additive = 0, found = 0;
    (void)state;
    for (int i = 0; i < 40; i++) {
        struct carriers carriers = carriers_of(12000);
        carriers.duration_s = 5;
        carriers.noise_rms = 1e-5;
        carriers.random = support_random_seed(300 + (uint64_t)i);
        /* 12 dB above the noise in its lobe, 15 bins of 1.5 Hz */
        double lobe = 2e-10 * 15 * 1.46 / 24000;
        carriers.jitter_s[carriers.jitter_count++] =
            (struct carriers_line){910, sqrt(16 * lobe) / (M_PI * 12000), 1};
        struct report *report = carriers_measure(&carriers, NULL);
        for (int row = 0; row < carriers_rows(report, 0); row++) {
            if (fabs(carriers_cell(report, 0, row, "offset_hz") - 910) > 1)
                continue;
            found++;
            additive += strcmp(carriers_word(report, 0, row, "kind"), "additive") == 0;
        }
        report_free(report);
    }
    print_message("found %d, additive %d\n", found, additive);
    assert_int_equal(found, 40);
    assert_int_equal(additive, 0);
}

/* False alarms: of 200 spectra of noise beside a carrier one in a thousand may have a
 * line. */
static void noise_makes_no_lines(void **state)
{
    int lines = 0;
    (void)state;
    for (int i = 0; i < 60; i++) {
        struct carriers carriers = carriers_of(9000 + 50 * i);
        carriers.duration_s = 3;
        carriers.noise_rms = i % 2 ? 1e-5 : 1e-9;
        carriers.random_jitter_s = i % 3 ? 0 : 1e-10;
        carriers.drift_ppm_per_s = 0.1;
        carriers.random = support_random_seed(700 + (uint64_t)i);
        struct report *report = carriers_measure(&carriers, NULL);
        lines += carriers_rows(report, 0);
        report_free(report);
    }
    assert_between(lines, 0, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_rate_reads_the_same),
        cmocka_unit_test(eight_channels_agree),
        cmocka_unit_test(no_carrier_is_said),
        cmocka_unit_test(silence_is_digital_silence),
        cmocka_unit_test(a_carrier_at_the_edge_is_refused),
        cmocka_unit_test(the_carrier_meant_is_taken),
        cmocka_unit_test(what_cannot_be_is_refused_by_name),
        cmocka_unit_test(the_band_is_that_asked_for),
        cmocka_unit_test(what_is_added_is_not_counted),
        cmocka_unit_test(faint_modulation_is_not_called_additive),
        cmocka_unit_test(noise_makes_no_lines),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
