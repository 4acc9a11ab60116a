/* The law of no false alarms for every signal that we render: as it is, and through a
 * fair device, told or not, health warns of nothing but what the signal seeds. The
 * expected value is none. */
#include "analysis/health/health.h"

#include <stdio.h>

#include "analysis/signals/jitter_pattern.h"
#include "analysis/signals/multitone.h"
#include "analysis/signals/tone.h"
#include "analysis/signals/twin_tone.h"
#include "tests/analysis/health/played.h"
#include "tests/analysis/signals/rendering.h"

#ifdef __SANITIZE_ADDRESS__
enum { DRAWN = 30 };
#else
enum { DRAWN = 100 };
#endif

static struct health health;

static const int rates[] = {44100, 48000, 88200, 96000, 176400, 192000, 384000, 768000};
enum { RATES = sizeof rates / sizeof rates[0] };

/* One signal of a kind, with the parameters that matter here. */
struct kind {
    const char *signal;
    struct {
        int index;
        double number;
    } given[3];
};

static const struct kind kinds[] = {
    {"tone", {{0}}},
    {"tone", {{TONE_LEVEL_DBFS, -60}}},
    {"silence", {{0}}},
    {"white-noise", {{0}}},
    {"twin-tone", {{0}}},
    {"twin-tone", {{TWIN_TONE_LEVEL_DBFS, 0}}},
    {"twin-tone", {{TWIN_TONE_LEVEL_DBFS, -60}}},
    {"twin-tone", {{TWIN_TONE_AMPLITUDE_RATIO, 10}}},
    {"twin-tone", {{TWIN_TONE_FREQUENCY_1_HZ, 250}, {TWIN_TONE_FREQUENCY_2_HZ, 8000}}},
    {"twin-tone",
     {{TWIN_TONE_FREQUENCY_1_HZ, 18000},
      {TWIN_TONE_FREQUENCY_2_HZ, 20000},
      {TWIN_TONE_AMPLITUDE_RATIO, 1}}},
    {"twin-tone",
     {{TWIN_TONE_FREQUENCY_1_HZ, 19000},
      {TWIN_TONE_FREQUENCY_2_HZ, 20000},
      {TWIN_TONE_AMPLITUDE_RATIO, 1}}},
    {"twin-tone",
     {{TWIN_TONE_FREQUENCY_1_HZ, 18000},
      {TWIN_TONE_FREQUENCY_2_HZ, 20000},
      {TWIN_TONE_AMPLITUDE_RATIO, 0.1}}},
    {"multitone", {{0}}},
    {"multitone", {{MULTITONE_LEVEL_DBFS, 0}}},
    {"multitone", {{MULTITONE_LEVEL_DBFS, -40}}},
    {"multitone", {{MULTITONE_COUNT, 10}}},
    {"multitone", {{MULTITONE_COUNT, 100}}},
    {"multitone",
     {{MULTITONE_COUNT, 3}, {MULTITONE_LOWEST_HZ, 50}, {MULTITONE_HIGHEST_HZ, 200}}},
    {"jitter-pattern", {{JITTER_PATTERN_BITS, 24}}},
    {"jitter-pattern", {{JITTER_PATTERN_BITS, 16}}},
};
enum { KINDS = sizeof kinds / sizeof kinds[0] };

static struct settings settings_of(const struct kind *kind, int rate_hz, int bits,
                                   int channels, double duration_s)
{
    struct settings settings = rendering_settings(signal_find(kind->signal), rate_hz,
                                                  bits, channels, duration_s);
    for (int i = 0; i < 3 && kind->given[i].index > 0; i++)
        rendering_give(&settings, kind->given[i].index, kind->given[i].number);
    return settings;
}

static bool is_pattern(const struct settings *settings)
{
    return settings->description == &jitter_pattern_signal.description;
}

/* How a signal was recorded: device NULL, as it is. */
struct take {
    const struct played_device *device;
    double duration_s;
    bool told;
    const char *what;
};

/* What the signal brings with it, or the device was given. */
static bool is_seeded(const struct settings *settings, const struct take *take,
                      const struct health_warning *warning)
{
    const struct played_device *device = take->device;
    if (!device && strcmp(settings->description->name, "silence") == 0)
        return strcmp(warning->code, "channel_silent") == 0;
    if (!device)
        return is_pattern(settings) && !take->told &&
               strcmp(warning->code, "channels_identical") == 0;
    int c = warning->channel > 0 ? warning->channel - 1 : 0;
    double ppm = device->ppm + device->drift_ppm / 2;
    /* A start within a segment turns the phase a little: a thousandth of a turn. */
    double turns = health.channels[c].tone_hz * take->duration_s;
    return take->told && strcmp(warning->code, "clock_offset") == 0 &&
           fabs(health.channels[c].clock_offset_ppm + ppm) < 1.5 + 1e6 * 1e-3 / turns;
}

static void listen(const struct recording *recording, bool told)
{
    struct problem problem = {0};
    struct capture *capture = NULL;
    int descriptor =
        files_written(recording->format, recording->rate_hz, recording->channels,
                      recording->samples, recording->frames);
    assert_true(capture_open(descriptor, &capture, &problem));
    struct health_request request = {.cache = fft_cache_new()};
    assert_non_null(request.cache);
    if (told) {
        request.signal = recording->signal;
        request.parameters = recording->parameters;
    }
    if (!health_take(capture, &request, &health, &problem))
        fail_msg("%s", problem.detail);
    fft_cache_free(request.cache);
    capture_close(capture);
    close(descriptor);
}

/* Number of alarms, which are printed. */
static int alarms(const struct recording *recording, const struct take *take)
{
    const struct settings *settings = recording->parameters;
    int count = 0;
    listen(recording, take->told);
    for (int i = 0; i < health.warning_count; i++) {
        const struct health_warning *warning = &health.warnings[i];
        if (is_seeded(settings, take, warning))
            continue;
        print_error("%s, %s%s: %s: %s\n", settings->description->name, take->what,
                    take->told ? ", told" : "", warning->code, warning->message);
        count++;
    }
    return count;
}

static const int formats[] = {SF_FORMAT_PCM_16, SF_FORMAT_PCM_24, SF_FORMAT_PCM_32};

static void every_signal_is_among_the_kinds(void **state)
{
    (void)state;
    for (int i = 0; i < signal_count(); i++) {
        int count = 0;
        for (int k = 0; k < KINDS; k++)
            count += signal_find(kinds[k].signal) == signal_get(i);
        assert_true(count > 0);
    }
}

static void signals_as_they_are_raise_no_alarm(void **state)
{
    (void)state;
    int found = 0;
    for (int i = 0; i < KINDS * RATES * 3; i++) {
        const struct kind *kind = &kinds[i % KINDS];
        int rate_hz = rates[i / KINDS % RATES], bits = 16 + 8 * (i / KINDS / RATES);
        int channels = i % 7 == 0 ? 8 : 1 + i % 2;
        double duration_s = fmin(1.5, 100000.0 / (rate_hz * channels));
        struct settings settings = settings_of(kind, rate_hz, bits, channels, duration_s);
        if (is_pattern(&settings) && bits == 16)
            settings.values[JITTER_PATTERN_BITS].number = 16;
        struct recording recording = {
            rate_hz,  channels, SF_FORMAT_WAV | formats[bits / 8 - 2],
            0,        NULL,     signal_find(kind->signal),
            &settings};
        recording.samples = played_rendering(&settings, &recording.frames);
        char what[100];
        snprintf(what, sizeof what, "kind %d, %d Hz, %d bits, %d channels", i % KINDS,
                 rate_hz, bits, channels);
        for (int told = 0; told < 2; told++)
            found += alarms(&recording, &(struct take){NULL, duration_s, told, what});
        free(recording.samples);
    }
    assert_int_equal(found, 0);
}

static double between(struct support_random *random, double low, double high)
{
    return low + (high - low) * support_uniform(random);
}

/* Noise −130 … −90 dBFS, its own in each channel; a clock; mild distortion; now and then
 * the cliff of a converter at 22 kHz, a late start, or another rate. */
static struct played_device drawn_device(struct support_random *random, int rate_hz)
{
    struct played_device device = {
        .gain = between(random, 0.3, 0.95) * (support_uniform(random) < 0.3 ? -1 : 1),
        .noise_db = between(random, -118, -78),
        .ppm = support_uniform(random) < 0.2 ? 0 : between(random, -200, 200),
        .second = pow(10, between(random, -6, -4)),
        .third = pow(10, between(random, -6, -4)),
        .dc = between(random, -1e-3, 1e-3),
    };
    if (fabs(device.ppm) > 0)
        device.drift_ppm = between(random, -0.5, 0.5);
    if (rate_hz > 100000 && support_uniform(random) < 0.7)
        device.cutoff_hz = 22000;
    if (support_uniform(random) < 0.3)
        device.late_s = between(random, -0.2, 0.4);
    if (support_uniform(random) < 0.2) {
        device.rate_hz = rates[(int)(4 * support_uniform(random))];
        device.cutoff_hz = 0.4 * fmin(rate_hz, device.rate_hz);
    }
    return device;
}

static void signals_through_a_fair_device_raise_no_alarm(void **state)
{
    (void)state;
    const char *only = getenv("SEED");
    int found = 0, last = only ? atoi(only) : DRAWN;
    for (int seed = only ? last : 1; seed <= last; seed++) {
        struct support_random random = support_random_seed((uint64_t)seed);
        const struct kind *kind = &kinds[seed % KINDS];
        int rate_hz = rates[(int)(RATES * support_uniform(&random))];
        int channels = 1 + (int)(2 * support_uniform(&random));
        if (support_uniform(&random) < 0.1)
            channels = 8;
        double duration_s =
            fmin(pow(10, between(&random, -0.2, 1)), 360000.0 / (rate_hz * channels));
        struct settings settings = settings_of(kind, rate_hz, 24, channels, duration_s);
        struct played_device device = drawn_device(&random, rate_hz);
        struct recording recording =
            played_recording(&settings, &device, duration_s, &random);
        char what[200];
        snprintf(what, sizeof what,
                 "seed %d, %d Hz, %d channels, %.3g s, gain %.3g, %.1f ppm, noise %.0f, "
                 "cliff %.0f, late %.2g, recorded at %d Hz",
                 seed, rate_hz, channels, duration_s, device.gain, device.ppm,
                 device.noise_db - 12, device.cutoff_hz, device.late_s,
                 recording.rate_hz);
        for (int told = 0; told < 2; told++)
            found += alarms(&recording, &(struct take){&device, duration_s, told, what});
        free(recording.samples);
    }
    assert_int_equal(found, 0);
}

/* Played 100 ppm slow: whichever tone dominates tells so, where one does. */
static void clock_is_told_by_the_tone_that_dominates(void **state)
{
    (void)state;
    static const struct {
        struct kind kind;
        double tone_hz; /* NaN: none dominates */
    } cases[] = {
        {{"twin-tone", {{TWIN_TONE_AMPLITUDE_RATIO, 10}}}, 60},
        {{"twin-tone", {{TWIN_TONE_AMPLITUDE_RATIO, 0.1}}}, 7000},
        {{"twin-tone",
          {{TWIN_TONE_FREQUENCY_1_HZ, 5000}, {TWIN_TONE_AMPLITUDE_RATIO, 1}}},
         NAN},
        {{"jitter-pattern", {{JITTER_PATTERN_BITS, 24}}}, 12000},
        {{"multitone", {{0}}}, NAN},
    };
    struct support_random random = support_random_seed(7);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const struct played_device device = {.gain = 0.7, .ppm = 100, .noise_db = -90};
        struct settings settings = settings_of(&cases[i].kind, 48000, 24, 1, 3);
        struct recording recording = played_recording(&settings, &device, 2.9, &random);
        listen(&recording, true);
        free(recording.samples);
        const struct health_channel *channel = &health.channels[0];
        assert_int_equal(isnan(channel->tone_hz), isnan(cases[i].tone_hz));
        assert_int_equal(health.warning_count, !isnan(cases[i].tone_hz));
        if (isnan(cases[i].tone_hz))
            continue;
        assert_close(channel->clock_offset_ppm, -100, 1);
        assert_close(channel->tone_hz, cases[i].tone_hz * (1 - 1e-4),
                     cases[i].tone_hz * 1e-6);
    }
}

/* Nothing of the above is bought by deafness: what was cut out or zeroed is found. */
static void breaks_in_signals_are_still_told(void **state)
{
    (void)state;
    static const struct kind broken[] = {
        {"twin-tone", {{0}}},
        {"twin-tone",
         {{TWIN_TONE_FREQUENCY_1_HZ, 18000},
          {TWIN_TONE_FREQUENCY_2_HZ, 20000},
          {TWIN_TONE_AMPLITUDE_RATIO, 1}}},
        {"multitone", {{0}}},
        {"multitone", {{MULTITONE_COUNT, 60}}},
        {"jitter-pattern", {{JITTER_PATTERN_BITS, 24}}},
    };
    static const struct played_device devices[] = {
        {.gain = 1}, {.gain = 0.5, .ppm = 50, .noise_db = -90}};
    struct support_random random = support_random_seed(8);
    for (int i = 0; i < 5 * 2 * 2 * 2; i++) {
        int rate_hz = i / 5 % 2 ? 96000 : 48000;
        bool zeroed = i / 10 % 2, told = i / 20;
        struct settings settings = settings_of(&broken[i % 5], rate_hz, 24, 1, 1.5);
        struct recording recording =
            played_recording(&settings, &devices[i / 20], 1.4, &random);
        int64_t frame = rate_hz * 7 / 10 + 321;
        if (zeroed)
            memset(recording.samples + frame, 0, 480 * sizeof(double));
        else
            recording_cut(&recording, -1, frame, 65);
        listen(&recording, told);
        free(recording.samples);
        const struct health_channel *channel = &health.channels[0];
        assert_int_equal(channel->dropout_count, 1);
        assert_int_equal(channel->dropouts[0].kind,
                         zeroed ? HEALTH_ZEROED : HEALTH_MISSING);
        assert_close((double)channel->dropouts[0].frame, (double)frame, 24);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clock_is_told_by_the_tone_that_dominates),
        cmocka_unit_test(breaks_in_signals_are_still_told),
        cmocka_unit_test(every_signal_is_among_the_kinds),
        cmocka_unit_test(signals_as_they_are_raise_no_alarm),
        cmocka_unit_test(signals_through_a_fair_device_raise_no_alarm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
