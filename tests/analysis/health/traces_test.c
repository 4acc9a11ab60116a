#include <stdio.h>

#include "tests/analysis/health/traces_feed.h"

/* A tone of a device and its surroundings. Everything is in dBFS, or −INFINITY. */
struct bench {
    int rate_hz;
    double tone_hz, tone_dbfs, ppm, drift_ppm_per_s;
    double noise_dbfs;
    double mains_hz, mains_dbfs[6]; /* of multiples 1…6 */
    int64_t cut_at, cut_frames;     /* frames that are missing from there on */
    int source_hz;                  /* interpolated linearly from this rate; 0: not */
    double second_dbc, third_dbc;
    double begins_s; /* silence before */
    struct support_random random;
};

static double peak(double dbfs)
{
    return pow(10, dbfs / 20);
}

static double tone_at(const struct bench *bench, long double t)
{
    long double t_device =
        t * (1 + 1e-6L * (bench->ppm + bench->drift_ppm_per_s * t / 2));
    long double turns = bench->tone_hz * t_device;
    double x = (double)sinl(2 * M_PIl * (turns - floorl(turns)));
    return x + peak(bench->second_dbc) * x * x + peak(bench->third_dbc) * x * x * x;
}

static double sample(int64_t n, int channel, void *context)
{
    struct bench *bench = context;
    (void)channel;
    if (bench->cut_frames > 0 && n >= bench->cut_at)
        n += bench->cut_frames;
    long double t = (long double)n / bench->rate_hz;
    double value = 0;
    if (bench->source_hz > 0) {
        long double at = t * bench->source_hz, before = floorl(at);
        double share = (double)(at - before);
        value = (1 - share) * tone_at(bench, before / bench->source_hz) +
                share * tone_at(bench, (before + 1) / bench->source_hz);
    } else if ((double)t >= bench->begins_s) {
        value = tone_at(bench, t);
    }
    value *= peak(bench->tone_dbfs);
    value += peak(bench->noise_dbfs) / sqrt(2) * support_gaussian(&bench->random);
    for (int m = 1; m <= 6; m++)
        if (bench->mains_dbfs[m - 1] > -200)
            value += peak(bench->mains_dbfs[m - 1]) *
                     cos(2 * M_PI * fmod(m * bench->mains_hz * (double)t, 1) + m * m);
    return value;
}

#define NONE -INFINITY
#define NO_MAINS                                                                         \
    {                                                                                    \
        NONE, NONE, NONE, NONE, NONE, NONE                                               \
    }

static struct bench quiet(int rate_hz, double tone_hz, double tone_dbfs)
{
    return (struct bench){.rate_hz = rate_hz,
                          .tone_hz = tone_hz,
                          .tone_dbfs = tone_dbfs,
                          .noise_dbfs = -100,
                          .mains_hz = 50,
                          .mains_dbfs = NO_MAINS,
                          .second_dbc = NONE,
                          .third_dbc = NONE,
                          .random = support_random_seed(11)};
}

static struct health health;

static void take(struct bench *bench, double duration_s, double nominal_hz)
{
    struct made made = {bench->rate_hz, 1, duration_s, sample, bench, nominal_hz};
    traces_take(&made, &health);
}

/* Closed form: the mean frequency is the tone's, times the mean of its clock. */
static void tone_frequency_is_right_to_a_tenth_of_a_ppm(void **state)
{
    static const struct {
        int rate_hz;
        double tone_hz, dbfs, ppm, drift, duration_s;
    } cases[] = {
        {44100, 997, -1, 0, 0, 10},           {48000, 997, -60, 50, 0, 10},
        {192000, 19997.3, -1, -200, 0.1, 10}, {96000, 20, -1, 100, -0.1, 12},
        {8000, 3411.1, -20, 12, 0, 10},       {768000, 997, -1, -3, 0, 3},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct bench bench = quiet(cases[i].rate_hz, cases[i].tone_hz, cases[i].dbfs);
        bench.ppm = cases[i].ppm;
        bench.drift_ppm_per_s = cases[i].drift;
        take(&bench, cases[i].duration_s, 0);
        /* Only whole segments are looked at: with a drift, up to 1/6 of the recording
         * is not, which moves the mean by drift · duration/12. */
        double ppm = bench.ppm + bench.drift_ppm_per_s * cases[i].duration_s / 2;
        double within = 0.1 + fabs(bench.drift_ppm_per_s) * cases[i].duration_s / 12;
        assert_close((health.channels[0].tone_hz / cases[i].tone_hz - 1) * 1e6, ppm,
                     within);
        assert_true(isnan(health.channels[0].clock_offset_ppm));
        assert_int_equal(health.warning_count, 0);
    }
}

static void clock_is_told_where_the_nominal_is_known(void **state)
{
    const char *told;
    (void)state;
    struct bench bench = quiet(48000, 997, -1);
    bench.ppm = 50;
    take(&bench, 10, 997);
    assert_close(health.channels[0].clock_offset_ppm, 50, 0.1);
    told = traces_told(&health, "clock_offset");
    assert_non_null(told);
    assert_non_null(strstr(told, "50.0 ppm above nominal"));
    bench.ppm = -123.4;
    take(&bench, 10, 997);
    told = traces_told(&health, "clock_offset");
    assert_non_null(told);
    assert_non_null(strstr(told, "123.4 ppm below nominal"));
    bench.ppm = 4.9; /* below what matters: the number alone */
    take(&bench, 10, 997);
    assert_close(health.channels[0].clock_offset_ppm, 4.9, 0.05);
    assert_int_equal(health.warning_count, 0);
    bench.ppm = 1001; /* no clock is that far off: another tone */
    take(&bench, 10, 997);
    assert_true(isnan(health.channels[0].clock_offset_ppm));
    assert_close(health.channels[0].tone_hz, 997 * 1.001001, 1e-3);
    assert_int_equal(health.warning_count, 0);
}

/* Not significant: 10 ppm in half a second of noise. */
static void clock_is_not_told_where_noise_hides_it(void **state)
{
    (void)state;
    struct bench bench = quiet(48000, 100, -30);
    bench.ppm = 10;
    bench.noise_dbfs = -32;
    take(&bench, 1, 100);
    assert_int_equal(health.warning_count, 0);
}

/* 64 frames cut out of 10 s are 133 ppm of its length; the clock is not to blame. */
static void dropout_is_no_clock_offset(void **state)
{
    (void)state;
    for (int64_t at = 100000; at < 480000; at += 90001) {
        struct bench bench = quiet(48000, 997, -1);
        bench.cut_at = at;
        bench.cut_frames = 64;
        take(&bench, 10, 997);
        assert_close(health.channels[0].clock_offset_ppm, 0, 0.1);
        assert_int_equal(health.warning_count, 0);
    }
}

static void tone_that_begins_late_is_found(void **state)
{
    (void)state;
    struct bench bench = quiet(48000, 997, -1);
    bench.begins_s = 7.77;
    take(&bench, 12, 997);
    assert_close(health.channels[0].clock_offset_ppm, 0, 0.1);
    assert_int_equal(health.warning_count, 0);
}

static void no_tone_where_none_dominates(void **state)
{
    (void)state;
    struct bench bench = quiet(48000, 997, -30);
    bench.noise_dbfs = -29; /* more than the tone */
    take(&bench, 5, 0);
    assert_true(isnan(health.channels[0].tone_hz));
    bench = quiet(48000, 60, -2); /* two tones, 4:1 */
    bench.mains_hz = 7000;
    bench.mains_dbfs[0] = -14;
    take(&bench, 5, 0);
    assert_true(isnan(health.channels[0].tone_hz));
    bench = quiet(48000, 997, -200); /* noise alone */
    take(&bench, 5, 0);
    assert_true(isnan(health.channels[0].tone_hz));
    take(&bench, 0.01, 0); /* not one segment */
    assert_true(isnan(health.channels[0].tone_hz));
    assert_int_equal(health.warning_count, 0);
}

/* −80, −90 and −85 dBFS: together −78.5 dBFS, 77.5 dB below a tone of −1 dBFS. */
static void mains_beside_a_tone_is_told(void **state)
{
    const double base_hz[] = {50.03, 59.97};
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct bench bench = quiet(48000, 997, -1);
        bench.mains_hz = base_hz[i];
        bench.mains_dbfs[0] = -80;
        bench.mains_dbfs[1] = -90;
        bench.mains_dbfs[2] = -85;
        take(&bench, 10, 0);
        const char *told = traces_told(&health, "mains_suspected");
        assert_non_null(told);
        assert_non_null(strstr(told, i ? "multiples of 60 Hz" : "multiples of 50 Hz"));
        assert_non_null(strstr(told, "-78.5 dBFS (-77.5 dB re the tone)"));
        assert_int_equal(health.warning_count, 1);
        assert_close(health.channels[0].tone_hz, 997, 1e-4);
    }
}

static void hum_of_an_idle_device_is_told_and_is_no_tone(void **state)
{
    (void)state;
    struct bench bench = quiet(96000, 997, -300);
    bench.mains_dbfs[0] = -70;
    bench.mains_dbfs[1] = -85;
    bench.mains_dbfs[2] = -80;
    take(&bench, 10, 0);
    assert_non_null(traces_told(&health, "mains_suspected"));
    assert_true(isnan(health.channels[0].tone_hz));
}

/* What may be the signal itself, or matters to nobody. */
static void lines_that_may_be_played_are_no_mains(void **state)
{
    static const struct {
        double tone_hz, tone_dbfs, second_dbc, third_dbc, mains_dbfs[6];
    } cases[] = {
        {50, -1, -60, -70, NO_MAINS},  /* a test tone */
        {50, -80, -20, -30, NO_MAINS}, /* a faint one */
        {20, -1, -40, -50, NO_MAINS},  /* its third harmonic is 60 Hz */
        {25, -1, -40, -50, NO_MAINS},  /* its second 50 Hz */
        {60, -10, -30, -40, NO_MAINS}, /* harmonics of a tone */
        {997, -1, NONE, NONE, {-94, -99, -97, NONE, NONE, NONE}},   /* too faint */
        {997, -1, NONE, NONE, {-70, NONE, NONE, NONE, NONE, NONE}}, /* one line */
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct bench bench = quiet(48000, cases[i].tone_hz, cases[i].tone_dbfs);
        bench.noise_dbfs = -120;
        bench.second_dbc = cases[i].second_dbc;
        bench.third_dbc = cases[i].third_dbc;
        memcpy(bench.mains_dbfs, cases[i].mains_dbfs, sizeof bench.mains_dbfs);
        take(&bench, 10, 0);
        if (health.warning_count > 0)
            print_error("case %zu: %s\n", i, health.warnings[0].message);
        assert_int_equal(health.warning_count, 0);
    }
}

/* Linear interpolation is a convolution with a triangle, sinc²: images at m·fs1 ± f lie
 * 40·log10(f/(m·fs1 ± f)) below the tone. From 44.1 to 48 kHz: 4897 Hz at −65.4 dBc and
 * 2903 Hz at −66.2 dBc. */
static void linear_resampling_is_named_with_its_source(void **state)
{
    static const struct {
        int source_hz, rate_hz, m;          /* the first pair beyond half the rate */
        double tone_hz, below_hz, above_hz; /* m·fs1 ∓ f, folded by hand */
    } cases[] = {
        {44100, 48000, 1, 997, 4897, 2903},     {48000, 44100, 1, 997, 2903, 4897},
        {96000, 44100, 1, 1000, 6800, 8800},    {44100, 192000, 3, 5000, 64700, 54700},
        {22050, 48000, 2, 440, 4340, 3460},     {44100, 48000, 1, 10000, 13900, 6100},
        {176400, 192000, 1, 997, 16597, 14603}, {192000, 44100, 1, 997, 14603, 16597},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct bench bench = quiet(cases[i].rate_hz, cases[i].tone_hz, -1);
        double centre = (double)cases[i].m * cases[i].source_hz, f = cases[i].tone_hz;
        char rate[32], lines[96];
        bench.noise_dbfs = -125;
        bench.source_hz = cases[i].source_hz;
        snprintf(rate, sizeof rate, "from %d to %d Hz", cases[i].source_hz,
                 cases[i].rate_hz);
        snprintf(lines, sizeof lines, "%.0f and %.0f Hz (%.1f and %.1f dBc)",
                 cases[i].below_hz, cases[i].above_hz, 40 * log10(f / (centre - f)),
                 40 * log10(f / (centre + f)));
        take(&bench, 10, 0);
        const char *told = traces_told(&health, "possible_resampler");
        if (!told || !strstr(told, rate) || !strstr(told, lines))
            print_error("%s, not %s %s\n", told ? told : "nothing", rate, lines);
        assert_non_null(told);
        assert_non_null(strstr(told, rate));
        assert_non_null(strstr(told, lines));
        if (health.warning_count > 1)
            print_error("%s\n", health.warnings[0].message);
        assert_int_equal(health.warning_count, 1);
        assert_close(health.channels[0].tone_hz, f, 1e-4);
    }
}

/* Resampled before the converter and recorded by another clock, 80 ppm away, so that the
 * images lie at 80 ppm more as well; levels by the closed form, 40·log10(f/(m·fs1 ± f)).
 * The recorder's rate may be higher, and the converter then adds images of its own. */
struct played {
    int rate_hz, count;
    double hz[5], dbc[5];
    const char *path;
};

static double recorded_by_another_clock(int64_t n, int channel, void *context)
{
    const struct played *played = context;
    double t = (1 + 80e-6) * (double)n / played->rate_hz, value = 0;
    (void)channel;
    for (int i = 0; i < played->count; i++)
        value += peak(played->dbc[i]) * sin(2 * M_PI * fmod(played->hz[i] * t, 1));
    return 0.5 * value;
}

static void resampling_before_another_clock_is_named(void **state)
{
    static struct played cases[] = {
        {48000, 3, {997, 4897, 2903}, {0, -65.4, -66.2}, "from 44100 to 48000 Hz"},
        {192000,
         5,
         {997, 4897, 2903, 47003, 48997},
         {0, -65.4, -66.2, -33.5, -33.8},
         "from 44100 to 48000 Hz"},
        {96000, 3, {997, 2903, 4897}, {0, -66.9, -67.7}, "from 48000 to 44100 Hz"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct made made = {cases[i].rate_hz,          1,         8,
                            recorded_by_another_clock, &cases[i], 0};
        traces_take(&made, &health);
        const char *told = traces_told(&health, "possible_resampler");
        assert_non_null(told);
        assert_non_null(strstr(told, cases[i].path));
        assert_int_equal(health.warning_count, 1);
    }
}

/* A converter that holds its samples: the images of its playback rate lie unfolded in a
 * recording of four times that rate. */
static double held(int64_t n, int channel, void *context)
{
    struct bench *bench = context;
    (void)channel;
    int64_t sample_number = (int64_t)((double)n * 44100 / bench->rate_hz);
    return 0.5 * sin(2 * M_PI * fmod(997.0 * (double)sample_number / 44100, 1)) +
           1e-6 * support_gaussian(&bench->random);
}

static double filtered(int64_t n, int channel, void *context)
{
    /* What the recorder's own filter lets pass: the first image alone. */
    struct bench *bench = context;
    double t = (double)n / bench->rate_hz, value = sin(2 * M_PI * 997 * t);
    (void)channel;
    for (int m = 1; m <= 2; m++)
        value += 997 / (m * 44100.0) *
                 (sin(2 * M_PI * fmod((m * 44100 - 997) * t, 1)) +
                  sin(2 * M_PI * fmod((m * 44100 + 997) * t, 1)));
    return 0.5 * value + 1e-6 * support_gaussian(&bench->random);
}

static void converter_images_are_no_resampler(void **state)
{
    (void)state;
    struct bench bench = quiet(192000, 997, -1);
    struct made made = {192000, 1, 5, filtered, &bench, 0};
    traces_take(&made, &health);
    assert_int_equal(health.warning_count, 0);
    assert_close(health.channels[0].tone_hz, 997, 1e-4);
    bench.rate_hz = 176400; /* four times the rate: nothing folds elsewhere */
    made = (struct made){176400, 1, 5, held, &bench, 0};
    traces_take(&made, &health);
    assert_int_equal(health.warning_count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tone_frequency_is_right_to_a_tenth_of_a_ppm),
        cmocka_unit_test(clock_is_told_where_the_nominal_is_known),
        cmocka_unit_test(clock_is_not_told_where_noise_hides_it),
        cmocka_unit_test(dropout_is_no_clock_offset),
        cmocka_unit_test(tone_that_begins_late_is_found),
        cmocka_unit_test(no_tone_where_none_dominates),
        cmocka_unit_test(mains_beside_a_tone_is_told),
        cmocka_unit_test(hum_of_an_idle_device_is_told_and_is_no_tone),
        cmocka_unit_test(lines_that_may_be_played_are_no_mains),
        cmocka_unit_test(linear_resampling_is_named_with_its_source),
        cmocka_unit_test(resampling_before_another_clock_is_named),
        cmocka_unit_test(converter_images_are_no_resampler),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
