/* Delays by closed form; what is alike or turned over by construction. */
#include "analysis/health/pairs.h"

#include "analysis/signals/jitter_pattern.h"
#include "analysis/signals/tone.h"
#include "tests/analysis/health/listening.h"

enum { TONES = 31 };

/* One wave at any instant, in frames: so that a delay is exact. */
struct wave {
    int rate, tones;
    double frequencies[TONES], phases[TONES];
    double sweep_s; /* > 0: a sweep so long, instead */
};

static double wave_at(const struct wave *wave, double frames)
{
    double t = frames / wave->rate, sum = 0, octaves = log(0.4 * wave->rate / 20);
    if (wave->sweep_s > 0)
        return sin(2 * M_PI * 20 * wave->sweep_s / octaves *
                   (exp(t / wave->sweep_s * octaves) - 1));
    for (int i = 0; i < wave->tones; i++)
        sum += sin(2 * M_PI * (fmod(wave->frequencies[i] * t, 1) + wave->phases[i]));
    return sum / wave->tones;
}

static struct wave multitone(int rate, int tones, double lowest_hz, double highest_hz,
                             uint64_t seed)
{
    struct support_random random = support_random_seed(seed);
    struct wave wave = {.rate = rate, .tones = tones};
    for (int i = 0; i < tones; i++) {
        double place = tones > 1 ? i / (tones - 1.0) : 0;
        wave.frequencies[i] = lowest_hz * pow(highest_hz / lowest_hz, place);
        wave.phases[i] = support_uniform(&random);
    }
    return wave;
}

/* Two channels: the wave, and `gain` times the wave `delay` frames later; own noise. */
static struct heard pair_of(const struct wave *wave, double delay, double gain,
                            double noise)
{
    struct support_random random = support_random_seed(7);
    struct heard heard = heard_new(wave->rate, 2, 24, 2);
    for (int64_t n = 0; n < heard.frames; n++) {
        *heard_at(&heard, n, 0) = 0.5 * wave_at(wave, (double)n);
        *heard_at(&heard, n, 1) = gain * 0.5 * wave_at(wave, (double)n - delay);
        for (int c = 0; c < 2; c++)
            *heard_at(&heard, n, c) += noise * support_gaussian(&random);
    }
    return heard;
}

static struct health *health_once(struct heard heard)
{
    struct health *health = heard_health(&heard);
    free(heard.samples);
    return health;
}

static void delays_are_found_to_a_hundredth_of_a_frame(void **state)
{
    (void)state;
    static const double delays[] = {0, 0.5, -0.37, 3.21, -17.6, 200.04};
    static const struct {
        int rate, tones;
        double lowest_hz, highest_hz, sweep_s;
    } rows[] = {
        {48000, 31, 20, 20000, 0},  {44100, 31, 20, 20000, 0},
        {192000, 31, 20, 20000, 0}, {192000, 31, 20, 80000, 0},
        {48000, 2, 60, 7000, 0},    {48000, 2, 19000, 20000, 0},
        {96000, 0, 0, 0, 2},        {48000, 0, 0, 0, 2},
    };
    for (size_t r = 0; r < sizeof rows / sizeof rows[0]; r++)
        for (size_t d = 0; d < sizeof delays / sizeof delays[0]; d++) {
            /* 19 and 20 kHz are the same again after 48 frames: known modulo these. */
            if (rows[r].lowest_hz > 10000 && fabs(delays[d]) > 24)
                continue;
            struct wave wave = multitone(rows[r].rate, rows[r].tones, rows[r].lowest_hz,
                                         rows[r].highest_hz, r);
            wave.sweep_s = rows[r].sweep_s;
            struct health *health = health_once(pair_of(&wave, delays[d], 0.9, 1e-4));
            double got = health->channels[1].delay_frames;
            if (!(fabs(got - delays[d]) <= 0.01))
                fail_msg("row %zu: %g, not %g", r, got, delays[d]);
            assert_close(health->channels[0].delay_frames, 0, 0);
            heard_silent(health, "delayed");
            free(health);
        }
}

/* Of a tone the delay is known within half a period to either side. */
static void a_tone_tells_the_smallest_delay(void **state)
{
    (void)state;
    static const struct {
        int rate;
        double frequency_hz, delay, found;
    } rows[] = {
        {48000, 997, 0, 0},         {48000, 997, 0.25, 0.25}, {48000, 997, -20, -20},
        {48000, 1000, 30, 30 - 48}, {48000, 19997, 0.5, 0.5}, {44100, 20, 1.5, 1.5},
        {192000, 20, 0.5, 0.5},     {768000, 20, -2, -2},     {768000, 100, 0.25, 0.25},
        {192000, 80000, 0.3, 0.3},
    };
    for (size_t r = 0; r < sizeof rows / sizeof rows[0]; r++) {
        struct wave wave =
            multitone(rows[r].rate, 1, rows[r].frequency_hz, rows[r].frequency_hz, r);
        struct health *health = health_once(pair_of(&wave, rows[r].delay, 1, 3e-6));
        double got = health->channels[1].delay_frames;
        double allowed = fmax(0.01, 1e-6 * rows[r].rate / rows[r].frequency_hz);
        if (!(fabs(got - rows[r].found) <= allowed))
            fail_msg("row %zu: %g, not %g", r, got, rows[r].found);
        heard_silent(health, "a tone");
        free(health);
    }
}

static void noise_tells_its_delay(void **state)
{
    (void)state;
    /* White noise, 2 frames early; own noise 46 dB below. */
    struct support_random random = support_random_seed(31);
    struct heard heard = heard_new(48000, 2, 24, 2);
    for (int64_t n = 0; n < heard.frames; n++) {
        double value = 0.1 * support_gaussian(&random);
        *heard_at(&heard, n, 0) += value;
        if (n >= 2)
            *heard_at(&heard, n - 2, 1) += value;
        for (int c = 0; c < 2; c++)
            *heard_at(&heard, n, c) += 5e-4 * support_gaussian(&random);
    }
    struct health *health = health_once(heard);
    assert_close(health->channels[1].delay_frames, -2, 0.01);
    heard_silent(health, "noise");
    free(health);
}

static void unrelated_channels_have_no_delay(void **state)
{
    (void)state;
    for (int kind = 0; kind < 4; kind++) {
        struct support_random random = support_random_seed(41);
        struct heard heard = heard_new(48000, 2, 24, 2);
        for (int64_t n = 0; n < heard.frames; n++)
            for (int c = 0; c < 2; c++) {
                double noise = 0.1 * support_gaussian(&random);
                double tone =
                    sin(2 * M_PI * synthetic_turns(c ? 1237 : 997, 0, 0, 48000, n));
                double near =
                    sin(2 * M_PI * synthetic_turns(c ? 997.7 : 997, 0, 0, 48000, n));
                const double values[] = {noise, tone, near, c ? 0 : noise};
                *heard_at(&heard, n, c) = 0.3 * values[kind];
            }
        struct health *health = health_once(heard);
        if (!isnan(health->channels[1].delay_frames))
            fail_msg("kind %d: %g", kind, health->channels[1].delay_frames);
        assert_int_equal(health->warning_count, kind == 3); /* channel_silent */
        free(health);
    }
}

static void identical_channels_are_told_unless_meant(void **state)
{
    (void)state;
    struct wave wave = multitone(48000, 1, 997, 997, 1);
    for (int kind = 0; kind < 4; kind++) {
        struct heard heard = pair_of(&wave, 0, 1, 0);
        struct settings parameters;
        synthetic_defaults(&tone_signal.description, &parameters);
        parameters.values[TONE_DITHER].choice =
            kind == 2 ? TONE_DITHER_TPDF : TONE_DITHER_NONE;
        struct health_request request = {.signal = kind == 0 ? NULL : &tone_signal,
                                         .parameters = &parameters};
        if (kind == 3)
            *heard_at(&heard, heard.frames - 1, 1) += 1e-6;
        struct health *health = heard_health_of(&heard, &request);
        /* 0: nothing is known; 1: the signal is the same in both; 2: each channel of it
         * has its own dither; 3: the last sample differs. */
        assert_int_equal(heard_warned(health, "channels_identical", 2),
                         kind == 0 || kind == 2);
        assert_int_equal(health->warning_count, kind == 0 || kind == 2);
        assert_close(health->channels[1].delay_frames, 0, 1e-9);
        free(health);
        free(heard.samples);
    }
}

/* A pattern of 24 bits in a file of 16 cannot have been played: as if nothing were told.
 */
static void parameters_that_clash_tell_of_no_signal(void **state)
{
    (void)state;
    struct wave wave = multitone(48000, 1, 997, 997, 1);
    struct heard heard = pair_of(&wave, 0, 1, 0);
    struct settings parameters;
    synthetic_defaults(&jitter_pattern_signal.description, &parameters);
    parameters.values[PARAMETER_BITS].number = 16;
    struct health_request request = {.signal = &jitter_pattern_signal,
                                     .parameters = &parameters};
    struct health *health = heard_health_of(&heard, &request);
    assert_int_equal(heard_warned(health, "channels_identical", 2), 1);
    free(health);
    free(heard.samples);
}

static void of_eight_channels_each_copy_is_named(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(51);
    struct heard heard = heard_new(48000, 8, 24, 1);
    for (int64_t n = 0; n < heard.frames; n++) {
        for (int c = 0; c < 8; c++)
            *heard_at(&heard, n, c) = 0.1 * support_gaussian(&random);
        *heard_at(&heard, n, 4) = *heard_at(&heard, n, 2);
        *heard_at(&heard, n, 7) = *heard_at(&heard, n, 2);
        *heard_at(&heard, n, 6) = -*heard_at(&heard, n, 1);
    }
    struct health *health = health_once(heard);
    assert_int_equal(heard_warned(health, "channels_identical", 5), 1);
    assert_int_equal(heard_warned(health, "channels_identical", 8), 1);
    assert_int_equal(heard_warned(health, "polarity_inverted", 7), 1);
    assert_int_equal(health->warning_count, 3);
    assert_non_null(strstr(health->warnings[0].message, "Channels 3 and 5"));
    free(health);
}

static void a_channel_turned_over_is_told_where_it_can_be_known(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        int tones;
        double lowest_hz, highest_hz, sweep_s, delay, gain, noise;
        bool expected;
    } rows[] = {
        {"multitone", 31, 20, 20000, 0, 0, -1, 1e-4, true},
        {"multitone, 6 dB lower", 31, 20, 20000, 0, 0, -0.5, 1e-4, true},
        {"multitone, 0.3 frames late", 31, 20, 20000, 0, 0.3, -1, 1e-4, true},
        {"sweep", 0, 0, 0, 2, 0, -1, 1e-4, true},
        {"exact, of one tone", 1, 997, 997, 0, 0, -1, 0, true},
        {"a tone of opposite phase", 1, 997, 997, 0, 0, -1, 1e-5, true},
        {"the same in noise of -60 dBFS", 1, 997, 997, 0, 0, -1, 7e-4, true},
        {"a low tone of opposite phase", 1, 50, 50, 0, 0, -1, 1e-5, true},
        {"a tone 0.05 degrees from there", 1, 1000, 1000, 0, 0.00667, -1, 1e-5, false},
        {"two tones of opposite phase", 2, 60, 7000, 0, 0, -1, 1e-5, false},
        {"a high tone late by half a period", 1, 10000, 10000, 0, 2.4, 1, 1e-5, false},
        {"sweep in noise of -60 dBFS", 0, 0, 0, 2, 0, -1, 7e-4, true},
        {"crosstalk of opposite phase", 31, 20, 20000, 0, 0, -0.001, 1e-5, false},
        {"multitone the right way up", 31, 20, 20000, 0, 0, 1, 1e-4, false},
    };
    for (size_t r = 0; r < sizeof rows / sizeof rows[0]; r++) {
        struct wave wave =
            multitone(48000, rows[r].tones, rows[r].lowest_hz, rows[r].highest_hz, r);
        wave.sweep_s = rows[r].sweep_s;
        struct health *health =
            health_once(pair_of(&wave, rows[r].delay, rows[r].gain, rows[r].noise));
        if (heard_warned(health, "polarity_inverted", 2) != rows[r].expected)
            fail_msg("%s", rows[r].what);
        assert_int_equal(health->warning_count, rows[r].expected);
        if (rows[r].expected)
            assert_close(health->channels[1].delay_frames, rows[r].delay, 0.01);
        free(health);
    }
}

/* Tones of one frequency with any phases, two tones with any phases, square waves late by
 * half a period: correlated by chance, and no fault. */
static void chance_is_no_inversion(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct support_random random = support_random_seed(seed);
        int kind = (int)(seed % 3);
        double one = 20 * pow(900, support_uniform(&random)), two = one * 1.5;
        double phases[4];
        for (int i = 0; i < 4; i++)
            phases[i] = support_uniform(&random);
        struct heard heard = heard_new(48000, 2, 24, 1.5);
        for (int64_t n = 0; n < heard.frames; n++)
            for (int c = 0; c < 2; c++) {
                double first = synthetic_turns(one, 0, 0, 48000, n) + phases[c];
                double second = synthetic_turns(two, 0, 0, 48000, n) + phases[2 + c];
                double square = fmod(synthetic_turns(one, 0, 0, 48000, n) + 0.5 * c, 1);
                const double values[] = {
                    sin(2 * M_PI * first),
                    (sin(2 * M_PI * first) + sin(2 * M_PI * second)) / 2,
                    square < 0.5 ? 1 : -1};
                *heard_at(&heard, n, c) =
                    0.5 * values[kind] + 1e-5 * support_gaussian(&random);
            }
        struct health *health = health_once(heard);
        char what[40];
        snprintf(what, sizeof what, "seed %d", (int)seed);
        heard_silent(health, what);
        free(health);
    }
}

static void a_short_recording_has_no_delay(void **state)
{
    (void)state;
    struct wave wave = multitone(48000, 31, 100, 20000, 1);
    struct heard heard = pair_of(&wave, 0, 1, 1e-4);
    heard.frames = 1000;
    struct health *health = health_once(heard);
    assert_true(isnan(health->channels[1].delay_frames));
    heard_silent(health, "1000 frames");
    free(health);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(delays_are_found_to_a_hundredth_of_a_frame),
        cmocka_unit_test(a_tone_tells_the_smallest_delay),
        cmocka_unit_test(noise_tells_its_delay),
        cmocka_unit_test(unrelated_channels_have_no_delay),
        cmocka_unit_test(identical_channels_are_told_unless_meant),
        cmocka_unit_test(parameters_that_clash_tell_of_no_signal),
        cmocka_unit_test(of_eight_channels_each_copy_is_named),
        cmocka_unit_test(a_channel_turned_over_is_told_where_it_can_be_known),
        cmocka_unit_test(chance_is_no_inversion),
        cmocka_unit_test(a_short_recording_has_no_delay),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
