/* Breaks cut into recordings of our own white noise; each expected value follows from
 * what was cut. Good recordings of it raise no alarm. */
#include "analysis/health/breaks_reference.h"

#include <stdio.h>

#include "tests/analysis/health/played.h"

static struct health health;

static const struct played_device devices[] = {
    {.gain = 1},
    {.gain = 0.5, .ppm = 50, .cutoff_hz = 20000, .noise_db = -40, .late_s = 0.7},
    {.gain = -0.5, .ppm = -180, .cutoff_hz = 20000, .noise_db = -30, .late_s = -1.3},
};
enum { DEVICES = 3 };

struct fault {
    enum health_break kind;
    int length;
};

static void apply(struct recording *recording, const struct fault *fault, int64_t frame)
{
    int64_t channels = recording->channels;
    if (fault->kind == HEALTH_MISSING)
        recording_cut(recording, -1, frame, fault->length);
    if (fault->kind == HEALTH_REPEATED)
        recording_repeat(recording, frame, fault->length);
    if (fault->kind == HEALTH_ZEROED)
        memset(recording->samples + frame * channels, 0,
               (size_t)(fault->length * channels) * sizeof(double));
}

/* One of each, at random places from 0.1 s of the signal on, in two channels. */
static void breaks_in_noise_are_located(void **state)
{
    (void)state;
    static const struct fault faults[] = {{HEALTH_MISSING, 64},   {HEALTH_REPEATED, 512},
                                          {HEALTH_ZEROED, 480},   {HEALTH_MISSING, 1},
                                          {HEALTH_MISSING, 4800}, {HEALTH_REPEATED, 7}};
    static const int rates[] = {48000, 192000};
    struct support_random random = support_random_seed(41);
    for (int i = 0; i < 2 * DEVICES * 6; i++) {
        int rate_hz = rates[i % 2];
        const struct played_device *device = &devices[i / 2 % DEVICES];
        const struct fault *fault = &faults[i / 2 / DEVICES];
        if (fault->length < 8 && device->cutoff_hz > 0 && rate_hz > 48000)
            continue; /* the device's own width is 10 frames */
        struct settings settings = played_settings(rate_hz, 2, 8);
        struct recording recording = played_recording(&settings, device, 4.5, &random);
        int64_t frame = (int64_t)((0.9 + 3.3 * support_uniform(&random)) * rate_hz);
        apply(&recording, fault, frame);
        recording_breaks(&recording, &health);
        for (int c = 0; c < 2; c++) {
            const struct health_channel *channel = &health.channels[c];
            const struct health_dropout *dropout = &channel->dropouts[0];
            if (channel->dropout_count != 1 || dropout->length_frames != fault->length)
                printf("case %d, %d Hz, fault %d of %d frames at %lld: %d found, %lld at "
                       "%lld\n",
                       i, rate_hz, (int)fault->kind, fault->length, (long long)frame,
                       (int)channel->dropout_count, (long long)dropout->length_frames,
                       (long long)dropout->frame);
            assert_int_equal(channel->dropout_count, 1);
            assert_int_equal(dropout->kind, fault->kind);
            assert_close((double)dropout->frame, (double)frame, 16);
            assert_int_equal(dropout->length_frames, fault->length);
            assert_true(isnan(dropout->phase_step_deg));
            int64_t clean_end = channel->clean.first_frame + channel->clean.frames;
            assert_true(clean_end <= frame || channel->clean.first_frame >= frame);
            assert_true(channel->clean.frames >= health.frames / 2 - 600);
        }
        assert_int_equal(health.warning_count, 2);
        assert_string_equal(health.warnings[0].code, "dropout");
    }
}

/* Many in one recording, some close together: 3000 frames and more apart. */
static void several_breaks_are_told_apart(void **state)
{
    (void)state;
    static const struct fault faults[] = {
        {HEALTH_ZEROED, 480}, {HEALTH_MISSING, 64}, {HEALTH_REPEATED, 512}};
    static const int64_t frames[] = {60000, 70000, 150000, 160000, 210000, 280000};
    struct support_random random = support_random_seed(42);
    for (int i = 0; i < DEVICES; i++) {
        struct settings settings = played_settings(48000, 1, 10);
        struct recording recording = played_recording(&settings, &devices[i], 7, &random);
        for (int k = 5; k >= 0; k--)
            apply(&recording, &faults[k % 3], frames[k]);
        recording_breaks(&recording, &health);
        const struct health_channel *channel = &health.channels[0];
        assert_int_equal(channel->dropout_count, 6);
        int64_t moved = 0;
        for (int k = 0; k < 6; k++) {
            const struct fault *fault = &faults[k % 3];
            assert_close((double)channel->dropouts[k].frame, (double)(frames[k] + moved),
                         16);
            assert_int_equal(channel->dropouts[k].kind, fault->kind);
            assert_int_equal(channel->dropouts[k].length_frames, fault->length);
            moved += fault->kind == HEALTH_MISSING    ? -fault->length
                     : fault->kind == HEALTH_REPEATED ? fault->length
                                                      : 0;
        }
    }
}

/* A buffer of which one value was held, and one longer than a correlation reaches. */
static void held_values_and_long_steps_are_told(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(44);
    struct settings settings = played_settings(48000, 1, 10);
    struct recording recording = played_recording(&settings, devices, 9, &random);
    recording_cut(&recording, 0, 250000, 30000);
    for (int n = 100000; n < 100480; n++)
        recording.samples[n] = recording.samples[99999];
    recording_breaks(&recording, &health);
    const struct health_dropout *dropouts = health.channels[0].dropouts;
    assert_int_equal(health.channels[0].dropout_count, 2);
    assert_int_equal(dropouts[0].frame, 99999); /* all samples of that value */
    assert_int_equal(dropouts[0].length_frames, 481);
    assert_int_equal(dropouts[0].kind, HEALTH_ZEROED);
    assert_close((double)dropouts[1].frame, 250000, 16);
    assert_int_equal(dropouts[1].length_frames, 30000);
    assert_int_equal(dropouts[1].kind, HEALTH_MISSING);
}

/* More than can be listed: all are not told, but what is called clean is. */
static void clean_is_clean_among_very_many(void **state)
{
    (void)state;
    enum { EVERY = 1000, BREAKS = 400 };
    struct support_random random = support_random_seed(45);
    struct settings settings = played_settings(48000, 1, 12);
    struct recording recording = played_recording(&settings, devices, 11, &random);
    for (int i = BREAKS; i > 0; i--)
        recording_cut(&recording, 0, 24000 + i * EVERY, 64);
    recording_breaks(&recording, &health);
    struct health_span clean = health.channels[0].clean;
    double last = 24000 + BREAKS * (EVERY - 64);
    assert_true(health.channels[0].dropout_count > 0);
    assert_true((double)clean.first_frame >= last ||
                (double)(clean.first_frame + clean.frames) <= 24000 + EVERY ||
                clean.frames <= EVERY);
}

/* A break in one channel is none in the other; without the reference none is found. */
static void the_reference_is_needed(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(43);
    for (int i = 0; i < 2; i++) {
        struct settings settings = played_settings(48000, 2, 4);
        struct recording recording = played_recording(&settings, devices, 4, &random);
        recording_cut(&recording, 1, 100000, 64);
        if (i == 1)
            recording.signal = NULL;
        recording_breaks(&recording, &health);
        assert_int_equal(health.channels[0].dropout_count, 0);
        assert_int_equal(health.channels[1].dropout_count, i == 0 ? 1 : 0);
    }
}

/* What a tester does with a good recording; nothing of it is a break. */
enum { AS_IT_IS, TWICE, PAUSED, OTHER_SIGNAL, OTHER_RATE, FADED, PLAYED };

static void play_otherwise(struct recording *recording, int how,
                           struct support_random *random)
{
    int64_t count = recording->frames * recording->channels, half = count / 2;
    half -= half % recording->channels;
    for (int64_t i = 0; i < count; i++) {
        double *x = &recording->samples[i];
        double share = (double)i / (double)count;
        if (how == TWICE && i >= half)
            *x = recording->samples[i - half];
        if (how == PAUSED && fabs(share - 0.5) < 0.15)
            *x = 0;
        if (how == OTHER_SIGNAL)
            *x = 0.1 * support_gaussian(random);
        if (how == FADED)
            *x *= fmin(1, 4 * fmin(share, 1 - share));
    }
}

static void good_recordings_raise_no_alarm(void **state)
{
    (void)state;
    static const int rates[] = {44100, 48000, 96000, 192000};
    const char *more = getenv("BREAKS_SEEDS");
    int seeds = more ? atoi(more) : 72;
    for (int seed = 1; seed <= seeds; seed++) {
        struct support_random random = support_random_seed((uint64_t)seed);
        int rate_hz = rates[seed % 4], how = seed % PLAYED;
        struct played_device device = {
            .gain = (support_uniform(&random) - 0.5) * 2,
            .ppm = seed % 3 ? 600 * (support_uniform(&random) - 0.5) : 0,
            .drift_ppm = seed % 3 ? 2 * (support_uniform(&random) - 0.5) : 0,
            .cutoff_hz = seed % 5 > 2 ? 20000 : 0,
            .noise_db = seed % 7 > 2 ? -20 - 60 * support_uniform(&random) : 0,
            .late_s = seed % 2 ? 4 * (support_uniform(&random) - 0.5) : 0,
        };
        struct settings settings =
            played_settings(rate_hz, 1 + seed % 2, seed % 3 == 1 ? 2 : 6);
        struct recording recording = played_recording(&settings, &device, 5, &random);
        play_otherwise(&recording, how, &random);
        if (how == OTHER_RATE)
            recording.rate_hz = rate_hz == 48000 ? 44100 : 48000;
        recording_breaks(&recording, &health);
        if (health.warning_count > 0)
            printf("seed %d, how %d, %d Hz: %s\n", seed, how, rate_hz,
                   health.warnings[0].message);
        assert_int_equal(health.warning_count, 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(breaks_in_noise_are_located),
        cmocka_unit_test(several_breaks_are_told_apart),
        cmocka_unit_test(held_values_and_long_steps_are_told),
        cmocka_unit_test(clean_is_clean_among_very_many),
        cmocka_unit_test(the_reference_is_needed),
        cmocka_unit_test(good_recordings_raise_no_alarm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
