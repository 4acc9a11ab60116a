/* Breaks cut into recordings made of formulas; each expected value follows from what was
 * cut. */
#include "analysis/health/breaks.h"

#include <math.h>
#include <stdio.h>

#include "tests/analysis/health/recording.h"

static struct health health;

struct tone {
    double frequency_hz, level_dbfs, noise_dbfs, ppm, drift_ppm_per_s; /* noise 0: none */
};

static void add_tone(struct recording *recording, int channel, const struct tone *tone,
                     struct support_random *random)
{
    double amplitude = pow(10, tone->level_dbfs / 20);
    double noise = tone->noise_dbfs < 0 ? pow(10, tone->noise_dbfs / 20) * M_SQRT1_2 : 0;
    double start = support_uniform(random);
    for (int64_t n = 0; n < recording->frames; n++) {
        double t = (double)n / recording->rate_hz;
        double turns =
            start + tone->frequency_hz * t *
                        (1 + 1e-6 * (tone->ppm + tone->drift_ppm_per_s * t / 2));
        recording->samples[n * recording->channels + channel] +=
            amplitude * sin(2 * M_PI * (turns - floor(turns))) +
            noise * support_gaussian(random);
    }
}

static double wrapped(double degrees)
{
    return degrees - 360 * round(degrees / 360);
}

/* 64 frames of a 997 Hz tone at 48 kHz are 64·997/48000·360° = 478.56° = 118.56°. */
static void missing_frames_are_located_with_their_phase(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(1);
    struct recording recording = recording_new(48000, 1, 480064);
    add_tone(&recording, 0, &(struct tone){.frequency_hz = 997, .level_dbfs = -1},
             &random);
    recording_cut(&recording, 0, 171234, 64);
    recording_breaks(&recording, &health);
    const struct health_channel *channel = &health.channels[0];
    assert_int_equal(channel->dropout_count, 1);
    assert_close((double)channel->dropouts[0].frame, 171234, 16);
    assert_close(channel->dropouts[0].phase_step_deg, 118.56, 0.1);
    assert_int_equal(channel->dropouts[0].kind, HEALTH_MISSING);
    assert_int_equal(channel->dropouts[0].length_frames, -1);
    assert_true(channel->clean.first_frame >= 171234);
    assert_true(channel->clean.first_frame < 171234 + 200);
    assert_int_equal(channel->clean.first_frame + channel->clean.frames, 480000);
    assert_int_equal(health.warning_count, 1);
    assert_string_equal(health.warnings[0].code, "dropout");
    assert_int_equal(health.warnings[0].channel, 1);
    assert_non_null(strstr(health.warnings[0].message, "+118.6°"));
}

/* Steps of 4° and more, at every rate, frequency and level of noise. Located within 16
 * frames and 1°. */
static void missing_frames_are_found_at_many_rates(void **state)
{
    (void)state;
    static const int rates[] = {44100, 48000, 96000, 192000, 384000, 768000};
    static const double tones[] = {20, 100, 997, 5000, 19000};
    static const double noises[] = {0, -110, -90};
    struct support_random random = support_random_seed(2);
    for (int i = 0; i < 6 * 5; i++) {
        int rate_hz = rates[i % 6];
        struct tone tone = {tones[i / 6 % 5], -3, noises[(i + i / 6) % 3], 0, 0};
        struct recording recording = recording_new(rate_hz, 1, rate_hz * 4 / 5);
        add_tone(&recording, 0, &tone, &random);
        int64_t frame = (int64_t)((0.3 + 0.2 * support_uniform(&random)) * rate_hz);
        int64_t count = (int64_t)(1 + 1000 * support_uniform(&random));
        while (fabs(wrapped((double)count * tone.frequency_hz / rate_hz * 360)) < 4)
            count += 7;
        double step = wrapped((double)count * tone.frequency_hz / rate_hz * 360);
        recording_cut(&recording, 0, frame, count);
        recording_breaks(&recording, &health);
        const struct health_channel *channel = &health.channels[0];
        if (channel->dropout_count != 1 || !isfinite(channel->dropouts[0].phase_step_deg))
            printf("%d Hz, %g Hz, noise %g: %lld of %lld frames at %lld, %.1f°\n",
                   rate_hz, tone.frequency_hz, tone.noise_dbfs,
                   (long long)channel->dropout_count, (long long)count, (long long)frame,
                   step);
        assert_int_equal(channel->dropout_count, 1);
        assert_close((double)channel->dropouts[0].frame, (double)frame, 16);
        assert_int_equal(channel->dropouts[0].kind, HEALTH_MISSING);
        assert_close(wrapped(channel->dropouts[0].phase_step_deg - step), 0, 1);
    }
}

/* Exact to the bit with a period of four, so that frames missing look like frames that
 * came twice: told as missing. */
static void periodic_tones_are_no_repeats(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(8);
    static const double tones[] = {12000, 1000};
    for (int i = 0; i < 2; i++) {
        struct recording recording = recording_new(48000, 1, 48000);
        add_tone(&recording, 0, &(struct tone){.frequency_hz = tones[i]}, &random);
        for (int64_t n = 0; n < recording.frames; n++)
            recording.samples[n] = nearbyint(8192 * recording.samples[n]) / 32768;
        recording.format = SF_FORMAT_WAV | SF_FORMAT_PCM_16;
        recording_cut(&recording, 0, 20000, 65);
        recording_breaks(&recording, &health);
        const struct health_dropout *dropout = &health.channels[0].dropouts[0];
        assert_int_equal(health.channels[0].dropout_count, 1);
        assert_int_equal(dropout->kind, HEALTH_MISSING);
        assert_close((double)dropout->frame, 20000, 16);
        assert_close(wrapped(dropout->phase_step_deg - 65 * tones[i] / 48000 * 360), 0,
                     1);
    }
}

/* A fit of the tone of known frequency to the clean span leaves nothing but the rounding
 * of floats: 2^-25 of the peak at most, −147 dB as rms (the tone has −3 dB). */
static void the_clean_span_is_clean(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(3);
    struct recording recording = recording_new(48000, 1, 480064);
    double *copy = malloc(480064 * sizeof *copy);
    assert_non_null(copy);
    add_tone(&recording, 0, &(struct tone){.frequency_hz = 997}, &random);
    recording_cut(&recording, 0, 171234, 64);
    for (int64_t n = 0; n < 480000; n++)
        copy[n] = (float)recording.samples[n]; /* as the file holds them */
    recording_breaks(&recording, &health);
    struct health_span clean = health.channels[0].clean;
    double re = 0, im = 0, squares = 0;
    int64_t whole = clean.frames - clean.frames % 48000; /* whole periods */
    for (int64_t n = 0; n < whole; n++) {
        double angle = 2 * M_PI * (double)(n * 997 % 48000) / 48000;
        re += 2.0 / (double)whole * copy[clean.first_frame + n] * cos(angle);
        im += 2.0 / (double)whole * copy[clean.first_frame + n] * sin(angle);
    }
    for (int64_t n = 0; n < whole; n++) {
        double angle = 2 * M_PI * (double)(n * 997 % 48000) / 48000;
        double rest = copy[clean.first_frame + n] - re * cos(angle) - im * sin(angle);
        squares += rest * rest;
    }
    free(copy);
    assert_between((double)whole, 5 * 48000, 480000);
    assert_close(hypot(re, im), 1, 1e-6);
    assert_between(10 * log10(squares / (double)whole * 2), -200, -140);
}

static void a_break_stays_in_its_channel(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(4);
    struct recording recording = recording_new(48000, 2, 96000);
    for (int c = 0; c < 2; c++)
        add_tone(&recording, c, &(struct tone){997, -6, -100, 30, 0.1}, &random);
    recording_cut(&recording, 1, 40000, 100);
    recording_breaks(&recording, &health);
    assert_int_equal(health.channels[0].dropout_count, 0);
    assert_int_equal(health.channels[0].clean.first_frame, 0);
    assert_int_equal(health.channels[0].clean.frames, 95900);
    assert_int_equal(health.channels[1].dropout_count, 1);
    assert_close((double)health.channels[1].dropouts[0].frame, 40000, 16);
    assert_int_equal(health.warning_count, 1);
    assert_int_equal(health.warnings[0].channel, 2);
}

static void all_breaks_are_counted(void **state)
{
    (void)state;
    enum { BREAKS = 70, EVERY = 24000 }; /* more than are listed */
    struct support_random random = support_random_seed(5);
    struct recording recording = recording_new(48000, 1, EVERY * (BREAKS + 2));
    add_tone(&recording, 0, &(struct tone){1000.5, -6, -100, 0, 0}, &random);
    for (int i = BREAKS; i > 0; i--)
        recording_cut(&recording, 0, i * EVERY, 31);
    recording_breaks(&recording, &health);
    const struct health_channel *channel = &health.channels[0];
    assert_int_equal(channel->dropout_count, BREAKS);
    for (int i = 0; i < HEALTH_MAX_DROPOUTS; i++)
        assert_close((double)channel->dropouts[i].frame, (i + 1) * EVERY - i * 31, 16);
    assert_between((double)channel->clean.frames, EVERY, 2 * EVERY);
}

enum wave { WAVE_TONE, WAVE_SWEEP, WAVE_MULTITONE, WAVES };

static struct recording of_wave(enum wave wave, int rate_hz,
                                struct support_random *random)
{
    struct recording recording = recording_new(rate_hz, 1, rate_hz);
    double length = 10 * rate_hz / log(1000.0); /* of a sweep 20 Hz … 20 kHz in 10 s */
    if (wave == WAVE_TONE)
        add_tone(&recording, 0, &(struct tone){997, -6, -105, 0, 0}, random);
    for (int64_t n = 0; wave == WAVE_SWEEP && n < recording.frames; n++) {
        double turns = 20.0 / rate_hz * length * exp((double)(n + 3 * rate_hz) / length);
        recording.samples[n] = 0.5 * sin(2 * M_PI * (turns - floor(turns))) +
                               4e-6 * support_gaussian(random);
    }
    for (int i = 0; wave == WAVE_MULTITONE && i < 31; i++)
        add_tone(&recording, 0,
                 &(struct tone){20 * pow(10, i / 10.0), -30, i ? 0 : -105, 0, 0}, random);
    return recording;
}

/* Kind, frame and length of what was put in, in tones, sweeps and multitones. */
static void repeats_and_holes_are_told(void **state)
{
    (void)state;
    static const int rates[] = {44100, 96000, 192000};
    static const int lengths[] = {64, 480, 2048};
    struct support_random random = support_random_seed(6);
    for (int i = 0; i < WAVES * 3 * 3 * 3; i++) {
        enum wave wave = (enum wave)(i % WAVES);
        int rate_hz = rates[i / 3 % 3], length = lengths[i / 9 % 3], fault = i / 27;
        int64_t frame = rate_hz * 2 / 5 + i;
        struct recording recording = of_wave(wave, rate_hz, &random);
        double *at = recording.samples + frame;
        if (fault == 0)
            recording_repeat(&recording, frame, length);
        if (fault == 1) /* played in the place of what follows */
            memcpy(at, at - length, (size_t)length * sizeof *at);
        if (fault == 2)
            memset(at, 0, (size_t)length * sizeof *at);
        recording_breaks(&recording, &health);
        const struct health_channel *channel = &health.channels[0];
        const struct health_dropout *dropout = &channel->dropouts[0];
        if (channel->dropout_count != 1)
            printf("wave %d, %d Hz, %d frames, fault %d\n", (int)wave, rate_hz, length,
                   fault);
        assert_int_equal(channel->dropout_count, 1);
        assert_int_equal(dropout->kind, fault == 2 ? HEALTH_ZEROED : HEALTH_REPEATED);
        assert_close((double)dropout->frame, (double)frame, 2);
        assert_close((double)dropout->length_frames, length, 2);
        double step = fault ? 0 : -997.0 * length / rate_hz * 360;
        if (wave == WAVE_TONE)
            assert_close(wrapped(dropout->phase_step_deg - step), 0, 1);
        else
            assert_true(isnan(dropout->phase_step_deg));
        struct health_span clean = channel->clean;
        assert_true(clean.first_frame + clean.frames <= frame ||
                    clean.first_frame >= frame + length);
        assert_true(clean.frames > rate_hz / 2);
    }
}

static void missing_frames_of_sweeps_and_multitones_are_found(void **state)
{
    (void)state;
    static const int rates[] = {44100, 48000, 96000, 192000};
    struct support_random random = support_random_seed(7);
    for (int i = 0; i < 24; i++) {
        int rate_hz = rates[i % 4];
        enum wave wave = i / 4 % 2 ? WAVE_SWEEP : WAVE_MULTITONE;
        int64_t frame = rate_hz / 2 + 11 * i;
        struct recording recording = of_wave(wave, rate_hz, &random);
        recording_cut(&recording, 0, frame, 130 + 37 * i);
        recording_breaks(&recording, &health);
        const struct health_channel *channel = &health.channels[0];
        if (channel->dropout_count != 1)
            printf("wave %d, %d Hz, %d frames\n", (int)wave, rate_hz, 130 + 37 * i);
        assert_int_equal(channel->dropout_count, 1);
        assert_int_equal(channel->dropouts[0].kind, HEALTH_MISSING);
        assert_close((double)channel->dropouts[0].frame, (double)frame, 16);
        assert_true(isnan(channel->dropouts[0].phase_step_deg));
    }
}

/* As a converter records what its player left out: only noise is in the hole. */
static void holes_with_noise_in_them_are_told(void **state)
{
    (void)state;
    static const int rates[] = {44100, 48000, 192000};
    static const double noises[] = {-60, -80, -100, -120};
    struct support_random random = support_random_seed(9);
    for (int i = 0; i < 3 * 4 * 2; i++) {
        int rate_hz = rates[i % 3], length = rate_hz / (i / 12 ? 1000 : 100);
        double noise = pow(10, noises[i / 3 % 4] / 20) * M_SQRT1_2;
        int64_t frame = rate_hz + 97 * i;
        struct recording recording = recording_new(rate_hz, 1, 3L * rate_hz);
        recording.format = SF_FORMAT_WAV | SF_FORMAT_PCM_24;
        add_tone(&recording, 0, &(struct tone){997, -6, 0, 0, 0}, &random);
        memset(recording.samples + frame, 0, sizeof(double) * (size_t)length);
        for (int64_t n = 0; n < recording.frames; n++)
            recording.samples[n] += noise * support_gaussian(&random);
        recording_breaks(&recording, &health);
        const struct health_channel *channel = &health.channels[0];
        if (channel->dropout_count != 1)
            printf("%d Hz, %d frames, %g dBFS\n", rate_hz, length, noises[i / 3 % 4]);
        assert_int_equal(channel->dropout_count, 1);
        assert_int_equal(channel->dropouts[0].kind, HEALTH_ZEROED);
        assert_close((double)channel->dropouts[0].frame, (double)frame, 4);
        assert_close((double)channel->dropouts[0].length_frames, length, 4);
        assert_close(channel->dropouts[0].phase_step_deg, 0, 1);
    }
}

/* SMPTE's pair, of which either tone alone explains little. */
static void a_hole_in_two_tones_is_told(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(10);
    for (int rate_hz = 48000; rate_hz <= 192000; rate_hz *= 2) {
        struct recording recording = recording_new(rate_hz, 1, 3L * rate_hz);
        add_tone(&recording, 0, &(struct tone){60, -2, -100, 0, 0}, &random);
        add_tone(&recording, 0, &(struct tone){7000, -14, 0, 0, 0}, &random);
        memset(recording.samples + rate_hz, 0, sizeof(double) * (size_t)(rate_hz / 100));
        recording_breaks(&recording, &health);
        assert_int_equal(health.channels[0].dropout_count, 1);
        assert_int_equal(health.channels[0].dropouts[0].kind, HEALTH_ZEROED);
        assert_close((double)health.channels[0].dropouts[0].frame, rate_hz, 2);
    }
}

/* Bursts as long as their pauses, of whole periods: bit-true and recorded. */
static void bursts_are_no_holes(void **state)
{
    (void)state;
    static const int lengths_ms[] = {20, 30, 40, 90, 213};
    struct support_random random = support_random_seed(11);
    for (int i = 0; i < 5 * 2 * 2; i++) {
        int rate_hz = i / 5 % 2 ? 48000 : 44100,
            some = rate_hz * lengths_ms[i % 5] / 1000;
        struct recording recording = recording_new(rate_hz, 1, 3L * rate_hz);
        recording.format = SF_FORMAT_WAV | SF_FORMAT_PCM_24;
        add_tone(&recording, 0, &(struct tone){997, -6, 0, 0, 0}, &random);
        for (int64_t n = 0; n < recording.frames; n++) {
            recording.samples[n] *= n / some % 2 == 0;
            recording.samples[n] += i / 10 ? 2e-6 * support_gaussian(&random) : 0;
        }
        recording_breaks(&recording, &health);
        if (health.warning_count)
            printf("%d Hz, %d ms\n", rate_hz, lengths_ms[i % 5]);
        assert_int_equal(health.warning_count, 0);
    }
}

/* Ten periods of 100 Hz, to the bit: the second five are no copy of the first. */
static void steps_of_whole_periods_are_no_repeats(void **state)
{
    (void)state;
    static const int hertz[] = {20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000};
    struct recording recording = recording_new(48000, 1, 48000);
    recording.format = SF_FORMAT_WAV | SF_FORMAT_PCM_24;
    for (int64_t n = 0; n < recording.frames; n++)
        recording.samples[n] =
            0.5 * sin(2 * M_PI * (double)(hertz[n / 4800] * n % 48000) / 48000);
    recording_breaks(&recording, &health);
    assert_int_equal(health.warning_count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(missing_frames_are_located_with_their_phase),
        cmocka_unit_test(missing_frames_are_found_at_many_rates),
        cmocka_unit_test(periodic_tones_are_no_repeats),
        cmocka_unit_test(the_clean_span_is_clean),
        cmocka_unit_test(a_break_stays_in_its_channel),
        cmocka_unit_test(all_breaks_are_counted),
        cmocka_unit_test(repeats_and_holes_are_told),
        cmocka_unit_test(holes_with_noise_in_them_are_told),
        cmocka_unit_test(a_hole_in_two_tones_is_told),
        cmocka_unit_test(bursts_are_no_holes),
        cmocka_unit_test(steps_of_whole_periods_are_no_repeats),
        cmocka_unit_test(missing_frames_of_sweeps_and_multitones_are_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
