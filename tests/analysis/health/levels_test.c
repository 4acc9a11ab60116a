/* Values by closed form, thresholds as levels.h and its neighbours state them. */
#include "analysis/health/levels.h"

#include "analysis/core/decibel.h"
#include "analysis/signals/tone.h"
#include "tests/analysis/health/listening.h"

static struct heard tone(int rate, int bits, double duration_s, double frequency_hz,
                         double peak)
{
    struct heard heard = heard_new(rate, 1, bits, duration_s);
    for (int64_t n = 0; n < heard.frames; n++)
        heard.samples[n] =
            peak * sin(2 * M_PI * synthetic_turns(frequency_hz, 0, 0, rate, n));
    return heard;
}

static void add_noise(struct heard *heard, double rms, uint64_t seed)
{
    struct support_random random = support_random_seed(seed);
    for (int64_t i = 0; i < heard->frames * heard->channels; i++)
        heard->samples[i] += rms * support_gaussian(&random);
}

static struct health *health_once(struct heard heard)
{
    struct health *health = heard_health(&heard);
    free(heard.samples);
    return health;
}

static void a_sine_has_its_levels(void **state)
{
    (void)state;
    /* 1000 whole periods of amplitude ½ on 0.1: mean square ⅛ + 0.01. */
    struct heard heard = tone(48000, -1, 1, 1000, 0.5);
    for (int64_t n = 0; n < heard.frames; n++)
        heard.samples[n] += 0.1;
    struct health *health = health_once(heard);
    assert_close(health->channels[0].peak, 0.6, 1e-12);
    assert_close(health->channels[0].dc, 0.1, 1e-12);
    assert_close(health->channels[0].mean_square, 0.135, 1e-12);
    assert_int_equal(health->channels[0].bits_in_use, -1);
    assert_false(health->channels[0].silent || health->channels[0].clipped);
    assert_true(isnan(health->channels[0].intersample_peak));
    heard_silent(health, "a sine");
    free(health);
}

/* Tones of whole hertz, one after the other at one level, undithered; and two together:
 * the top is met by the same sample in every period. */
static void waves_that_repeat_after_few_samples_are_not_clipped(void **state)
{
    (void)state;
    static const int steps_hz[] = {20, 60, 100, 200, 500, 1000, 2000, 5000, 10000, 20000};
    struct heard heard = heard_new(48000, 1, 24, 1);
    for (int64_t n = 0; n < heard.frames; n++)
        *heard_at(&heard, n, 0) =
            0.988553 *
            sin(2 * M_PI * (double)(n % 4800 * steps_hz[n / 4800] % 48000) / 48000);
    struct health *health = health_once(heard);
    assert_false(health->channels[0].clipped);
    free(health);
    struct support_random random = support_random_seed(71);
    heard = heard_new(44100, 1, 32, 2);
    for (int64_t n = 0; n < heard.frames; n++) {
        double low = 2 * M_PI * (double)(n * 250 % 44100) / 44100;
        double high = 2 * M_PI * (double)(n * 8000 % 44100) / 44100;
        double dither = support_uniform(&random) - support_uniform(&random);
        *heard_at(&heard, n, 0) = 0.713 * sin(low) + 0.0963089873 * sin(high) +
                                  0.149992361 * cos(high) + dither * 0x1p-31;
    }
    health = health_once(heard);
    assert_false(health->channels[0].clipped);
    free(health);
}

/* A sine clipped at ±c spends 1 − (2/π)·asin c of its time there (closed form). */
static void clipping_is_found_with_level_and_count(void **state)
{
    (void)state;
    static const struct {
        int rate, bits;
        double frequency_hz, over, clip; /* amplitude, and where it is cut */
    } rows[] = {
        {48000, 24, 997, 1.1, 1},     {48000, 16, 997, 1.1, 1},
        {48000, 16, 1000, 1.2, 1},    {44100, 24, 20, 1.01, 1},
        {768000, 16, 20, 1.01, 1},    {768000, 24, 20, 1.005, 1},
        {192000, 24, 19997, 1.1, 1},  {48000, 24, 9973, 1.2, 1},
        {48000, 24, 997, 1.1, 0.5},   {48000, 16, 997, 1.1, 0.3},
        {48000, 0, 997, 1.5, 0.7071}, {48000, -1, 60, 1.05, 0.1},
        {96000, 32, 997, 1.1, 0.9},   {48000, 24, 997, 3, 0.25},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct heard heard = tone(rows[i].rate, rows[i].bits, 2, rows[i].frequency_hz,
                                  rows[i].over * rows[i].clip);
        for (int64_t n = 0; n < heard.frames; n++)
            heard.samples[n] = fmin(fmax(heard.samples[n], -rows[i].clip), rows[i].clip);
        struct health *health = health_once(heard);
        double share = 1 - 2 / M_PI * asin(1 / rows[i].over);
        if (!health->channels[0].clipped || health->warning_count != 1 ||
            heard_warned(health, "clipping", 1) != 1)
            fail_msg("row %zu: clipped %d, %d warnings, %s", i,
                     health->channels[0].clipped, health->warning_count,
                     health->warnings[0].message);
        assert_close(health->channels[0].clipping_level, rows[i].clip,
                     rows[i].bits == 16 ? 4e-5 : 3e-7);
        assert_close((double)health->channels[0].clipped_samples,
                     share * (double)heard.frames, 0.02 * share * (double)heard.frames);
        free(health);
    }
}

static void one_sided_clipping_is_found(void **state)
{
    (void)state;
    struct heard heard = tone(48000, 24, 2, 997, 0.9);
    add_noise(&heard, 1e-5, 3);
    for (int64_t n = 0; n < heard.frames; n++)
        heard.samples[n] = fmin(heard.samples[n], 0.8);
    struct health *health = health_once(heard);
    assert_true(health->channels[0].clipped);
    assert_close(health->channels[0].clipping_level, 0.8, 1e-7);
    assert_int_equal(heard_warned(health, "clipping", 1), 1);
    free(health);
}

/* A loud part alone is clipped: nothing may be lost in the average. */
static void a_clipped_part_is_found(void **state)
{
    (void)state;
    struct heard heard = tone(48000, 24, 10, 997, 1.3);
    for (int64_t n = 0; n < heard.frames; n++) {
        if (n < 5 * 48000 || n > 5 * 48000 + 4800)
            heard.samples[n] *= 0.1;
        heard.samples[n] = fmin(fmax(heard.samples[n], -1), 1);
    }
    struct health *health = health_once(heard);
    assert_true(health->channels[0].clipped);
    free(health);
}

/* The runs that measurements have to bear: 4 equal extremes at 48 kHz, 68 at 768 kHz
 * (24 bits, 20 Hz), and the longer ones of 16 bits. */
static void clean_tones_at_full_scale_are_not_clipped(void **state)
{
    (void)state;
    static const int rates[] = {44100, 48000, 96000, 192000, 768000};
    static const double frequencies[] = {20, 21.3, 100, 997, 1000, 4999.7, 12000, 19997};
    for (size_t r = 0; r < 5; r++)
        for (size_t f = 0; f < 8; f++)
            for (int bits = 16; bits <= 32; bits += 8) {
                char what[80];
                snprintf(what, sizeof what, "%d Hz, %g Hz, %d bits", rates[r],
                         frequencies[f], bits);
                struct health *health =
                    health_once(tone(rates[r], bits, 0.5, frequencies[f], 1));
                heard_silent(health, what);
                assert_false(health->channels[0].clipped);
                free(health);
            }
}

static void square_waves_and_pulses_are_not_clipped(void **state)
{
    (void)state;
    for (int kind = 0; kind < 6; kind++) {
        struct heard heard = heard_new(48000, 1, kind % 2 ? 16 : 24, 2);
        for (int64_t n = 0; n < heard.frames; n++) {
            double up = n % 48 < 24 ? 1 : -1, loud = n < 48000 ? 0.9 : 0.9 / 4;
            if (kind < 2)
                heard.samples[n] = loud * up;
            else if (kind < 4) /* pulses of 5 samples from silence */
                heard.samples[n] = n % 480 < 5 ? 0.7 : 0;
            else /* impulses, up and down */
                heard.samples[n] = n % 960 == 0 ? 1 : n % 960 == 480 ? -1 : 0;
        }
        struct health *health = health_once(heard);
        heard_silent(health, "square or pulse");
        free(health);
    }
}

static void a_tone_between_its_samples_is_measured(void **state)
{
    (void)state;
    /* fs/4 at 45°, samples at full scale: +3.01 dB = √2 (closed form). */
    struct heard heard = heard_new(48000, 1, 24, 1);
    for (int64_t n = 0; n < heard.frames; n++)
        heard.samples[n] = n % 4 < 2 ? 1 : -1;
    struct health *health = health_once(heard);
    assert_close(20 * log10(health->channels[0].intersample_peak), 3.0103, 0.003);
    assert_int_equal(heard_warned(health, "over_full_scale", 1), 1);
    assert_int_equal(health->warning_count, 1);
    free(health);
    /* At −3.01 dBFS the same tone is a sine of full scale. */
    heard = heard_new(48000, 1, 24, 1);
    for (int64_t n = 0; n < heard.frames; n++)
        heard.samples[n] = n % 4 < 2 ? M_SQRT1_2 : -M_SQRT1_2;
    health = health_once(heard);
    assert_close(health->channels[0].intersample_peak, 1, 2e-4);
    heard_silent(health, "full scale between samples");
    free(health);
    /* Up to 0.45 fs, at any phase, it reads the amplitude. */
    for (int i = 1; i < 20; i++) {
        double cycles = 0.45 * i / 19;
        heard = heard_new(48000, 1, -1, 0.2);
        for (int64_t n = 0; n < heard.frames; n++)
            heard.samples[n] = 0.9 * cos(2 * M_PI * cycles * (double)n + i);
        health = health_once(heard);
        assert_close(20 * log10(health->channels[0].intersample_peak / 0.9), 0, 0.003);
        free(health);
    }
}

static void samples_beyond_full_scale_are_counted(void **state)
{
    (void)state;
    struct heard heard = tone(48000, 0, 1, 997, 0.9);
    for (int i = 0; i < 7; i++)
        heard.samples[1000 * (i + 1)] = i % 2 ? 1.5 : -1.25;
    struct health *health = health_once(heard);
    assert_int_equal(health->channels[0].over_full_scale, 7);
    assert_close(health->channels[0].peak, 1.5, 0);
    assert_int_equal(heard_warned(health, "over_full_scale", 1), 1);
    free(health);
    /* A tone at full scale with noise 90 dB below: nothing to tell. */
    heard = tone(48000, 0, 1, 997, 1);
    add_noise(&heard, 2.2e-5, 5);
    health = health_once(heard);
    assert_true(health->channels[0].over_full_scale > 0);
    heard_silent(health, "full scale with noise");
    free(health);
}

static void unused_bits_are_told(void **state)
{
    (void)state;
    static const struct {
        int container, used, told;
    } rows[] = {{24, 16, 1}, {24, 20, 1}, {24, 24, 0}, {16, 16, 0},
                {32, 24, 0}, {32, 16, 1}, {32, 32, 0}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct heard heard = tone(48000, rows[i].container, 1, 997, 0.5);
        for (int64_t n = 0; n < heard.frames; n++)
            heard.samples[n] = heard_rounded(heard.samples[n], rows[i].used);
        struct health *health = health_once(heard);
        assert_int_equal(health->channels[0].bits_in_use, rows[i].used);
        assert_int_equal(heard_warned(health, "low_bits_unused", 1), rows[i].told);
        assert_int_equal(health->warning_count, rows[i].told);
        free(health);
    }
}

static void right_justified_samples_are_suspected(void **state)
{
    (void)state;
    /* 24-bit samples in the low bits of 32: the level falls by 2^8. */
    struct heard heard = tone(48000, 32, 1, 997, 0.8);
    for (int64_t n = 0; n < heard.frames; n++)
        heard.samples[n] = heard_rounded(heard.samples[n], 24) / 256;
    struct health_request request = {0};
    struct health *health = heard_health_of(&heard, &request);
    assert_int_equal(heard_warned(health, "suspect_right_justified", 1), 1);
    assert_int_equal(health->warning_count, 1);
    free(health);
    /* With a signal told, such a level is meant. */
    struct settings parameters;
    synthetic_defaults(&tone_signal.description, &parameters);
    request = (struct health_request){.signal = &tone_signal, .parameters = &parameters};
    health = heard_health_of(&heard, &request);
    heard_silent(health, "a quiet 32-bit tone of ours");
    free(health);
    free(heard.samples);
}

static void integers_as_floats_are_suspected(void **state)
{
    (void)state;
    const double scales[] = {32768, 8388608};
    for (int i = 0; i < 2; i++) {
        struct heard heard = tone(48000, 0, 1, 997, 0.5);
        for (int64_t n = 0; n < heard.frames; n++)
            heard.samples[n] = nearbyint(heard.samples[n] * scales[i]);
        struct health *health = health_once(heard);
        assert_int_equal(heard_warned(health, "suspect_int_scaled_float", 1), 1);
        assert_int_equal(health->warning_count, 1);
        free(health);
    }
    /* A square wave of ±1 has no fractions either, and is right. */
    struct heard heard = heard_new(48000, 1, 0, 1);
    for (int64_t n = 0; n < heard.frames; n++)
        heard.samples[n] = n % 48 < 24 ? 1 : -1;
    struct health *health = health_once(heard);
    heard_silent(health, "square of floats");
    free(health);
}

static void silence_is_told_of_a_channel_or_of_all(void **state)
{
    (void)state;
    for (int silent = 0; silent < 4; silent++) { /* a bit for each channel */
        struct heard heard = heard_new(48000, 2, 24, 1);
        struct support_random random = support_random_seed(11);
        for (int64_t n = 0; n < heard.frames; n++)
            for (int c = 0; c < 2; c++)
                *heard_at(&heard, n, c) =
                    silent >> c & 1 ? 0.25 : 1e-4 * support_gaussian(&random);
        struct health *health = health_once(heard);
        for (int c = 0; c < 2; c++) {
            bool expected = silent >> c & 1;
            assert_int_equal(health->channels[c].silent, expected);
            assert_int_equal(heard_warned(health, "channel_silent", c + 1),
                             expected && silent != 3);
        }
        assert_int_equal(heard_warned(health, "channel_silent", 0), silent == 3);
        assert_int_equal(health->warning_count, silent != 0);
        free(health);
    }
}

/* Idle noise with a hole of exact zeros, and what looks like it but is not. */
static void a_mute_is_suspected_only_where_noise_should_be(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        double noise, hole_from_s, hole_s, tone, lead_s;
        bool expected;
    } rows[] = {
        {"idle noise, muted to the end", 1e-5, 3, 1, 0, 0, true},
        {"idle noise, muted for 60 ms", 1e-5, 2, 0.06, 0, 0, true},
        {"idle noise, a hole of 40 ms", 1e-5, 2, 0.04, 0, 0, false},
        {"idle noise alone", 1e-5, 0, 0, 0, 0, false},
        {"a loud tone between pauses", 0, 2, 1, 0.5, 1, false},
        {"a tone of 3 steps, then nothing", 0, 2, 2, 4e-7, 0, false},
        {"a tone of 100 steps, then nothing", 0, 2, 2, 1.2e-5, 0, false},
        {"rendered noise between pauses", 1e-5, 3, 1, 0, 1, false},
        {"loud noise, then nothing", 0.1, 3, 1, 0, 0, false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct heard heard = tone(48000, 24, 4, 997, rows[i].tone);
        add_noise(&heard, rows[i].noise, i);
        for (int64_t n = 0; n < heard.frames; n++) {
            double t = (double)n / 48000;
            if ((t >= rows[i].hole_from_s && t < rows[i].hole_from_s + rows[i].hole_s) ||
                t < rows[i].lead_s)
                heard.samples[n] = 0;
        }
        struct health *health = health_once(heard);
        if (heard_warned(health, "mute_suspected", 1) != rows[i].expected)
            fail_msg("%s", rows[i].what);
        assert_int_equal(health->warning_count, rows[i].expected);
        free(health);
    }
}

static void a_fade_to_silence_is_no_mute(void **state)
{
    (void)state;
    for (int seconds = 1; seconds <= 16; seconds *= 2) {
        struct heard heard = heard_new(48000, 1, 24, 2 + 2 * seconds);
        struct support_random random = support_random_seed(21);
        for (int64_t n = 0; n < heard.frames; n++) {
            double t = (double)n / 48000 / seconds;
            heard.samples[n] =
                t < 1 ? decibel_to_amplitude(-30 - 120 * t) * support_gaussian(&random)
                      : 0;
        }
        struct health *health = health_once(heard);
        heard_silent(health, "a fade");
        free(health);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_sine_has_its_levels),
        cmocka_unit_test(waves_that_repeat_after_few_samples_are_not_clipped),
        cmocka_unit_test(clipping_is_found_with_level_and_count),
        cmocka_unit_test(one_sided_clipping_is_found),
        cmocka_unit_test(a_clipped_part_is_found),
        cmocka_unit_test(clean_tones_at_full_scale_are_not_clipped),
        cmocka_unit_test(square_waves_and_pulses_are_not_clipped),
        cmocka_unit_test(a_tone_between_its_samples_is_measured),
        cmocka_unit_test(samples_beyond_full_scale_are_counted),
        cmocka_unit_test(unused_bits_are_told),
        cmocka_unit_test(right_justified_samples_are_suspected),
        cmocka_unit_test(integers_as_floats_are_suspected),
        cmocka_unit_test(silence_is_told_of_a_channel_or_of_all),
        cmocka_unit_test(a_mute_is_suspected_only_where_noise_should_be),
        cmocka_unit_test(a_fade_to_silence_is_no_mute),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
