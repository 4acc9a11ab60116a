/* Recordings without a break raise no alarm: seeded random ones of all kinds that are
 * played, through all that a fair device does to them. The expected value is none. */
#include "analysis/health/breaks.h"

#include <math.h>
#include <stdio.h>

#include "tests/analysis/health/recording.h"

#ifdef __SANITIZE_ADDRESS__
enum { RECORDINGS = 154 }; /* they cost three times as much: half of them, of each kind */
#else
enum { RECORDINGS = 308 };
#endif

enum { MOST_TONES = 60, NOISE = 4096 };

static struct health health;

enum kind {
    TONE,
    BURSTS,      /* tones that start and stop, with pauses */
    LEVELS,      /* one tone in steps of its level, its phase going on or not */
    FREQUENCIES, /* steps of the frequency */
    SWEEP,
    SWEEPS, /* short ones, one after the other, with pauses */
    MULTITONE,
    WHITE,
    PINK,
    CLIFF, /* noise up to 22 kHz */
    SQUARE,
    IMPULSES,
    CLIPPED,
    CLICKS, /* a tone and clicks on it */
    KINDS,
};

static const char *const names[] = {
    "tone",  "bursts", "levels", "frequencies", "sweep",    "sweeps",  "multitone",
    "white", "pink",   "cliff",  "square",      "impulses", "clipped", "clicks"};

static double between(struct support_random *random, double low, double high)
{
    return low + (high - low) * support_uniform(random);
}

static int one_of(struct support_random *random, int count)
{
    return (int)(support_uniform(random) * count);
}

/* Log-uniform in 20 Hz … 0.45 of the rate. */
static double any_frequency(struct support_random *random, double rate_hz)
{
    return 20 * pow(0.45 * rate_hz / 20, support_uniform(random));
}

static double sine(double turns)
{
    return sin(2 * M_PI * (turns - floor(turns)));
}

static void fill_tone(double *x, int64_t count, double cycles, double start)
{
    for (int64_t n = 0; n < count; n++)
        x[n] = sine(start + cycles * (double)n);
}

/* Sections of 30 … 300 ms. What changes is told by the kind. */
static void fill_sections(double *x, int64_t count, double rate_hz, enum kind kind,
                          struct support_random *random)
{
    double cycles = any_frequency(random, rate_hz) / rate_hz, level = 1, turns = 0;
    bool on = true, goes_on = support_uniform(random) < 0.5;
    double step = between(random, 0.5, 20) * (support_uniform(random) < 0.5 ? -1 : 1);
    for (int64_t n = 0; n < count;) {
        int64_t section = (int64_t)(between(random, 0.06, 0.3) * rate_hz);
        /* A tone that stops and goes on in its phase, without a fade, is a hole. */
        bool fades = support_uniform(random) < 0.5 || (kind == BURSTS && goes_on);
        int64_t fade = fades ? (int64_t)(between(random, 0.001, 0.01) * rate_hz) : 0;
        double start = goes_on ? turns : 0;
        int64_t k = 0;
        for (; k < section && n < count; k++, n++) {
            double near = (double)(k < section - k ? k : section - k);
            double gain = near < (double)fade ? near / (double)fade : 1;
            x[n] = on ? level * gain * sine(start + cycles * (double)k) : 0;
        }
        turns = start + cycles * (double)k;
        if (kind == BURSTS)
            on = !on;
        if (kind == LEVELS && level * pow(10, step / 20) > 1)
            step = -step;
        if (kind == LEVELS)
            level *= pow(10, step / 20);
        if (kind == FREQUENCIES)
            cycles = fmin(cycles * pow(2, between(random, 1.0 / 24, 1)), 0.45);
        if (cycles >= 0.45)
            cycles = 20 / rate_hz;
    }
}

/* Exponential, from f1 to f2. */
static void fill_sweep(double *x, int64_t count, double f1, double f2, double rate_hz)
{
    double length = (double)count / log(f2 / f1);
    for (int64_t n = 0; n < count; n++)
        x[n] = sine(f1 / rate_hz * length * expm1((double)n / length));
}

static void fill_sweeps(double *x, int64_t count, double rate_hz,
                        struct support_random *random)
{
    for (int64_t n = 0; n < count;) {
        int64_t length = (int64_t)(between(random, 0.05, 0.5) * rate_hz);
        int64_t pause = (int64_t)(between(random, 0, 0.1) * rate_hz);
        length = length < count - n ? length : count - n;
        fill_sweep(x + n, length, 20, fmin(20000, 0.45 * rate_hz), rate_hz);
        n += length + pause;
    }
}

static void fill_multitone(double *x, int64_t count, double rate_hz,
                           struct support_random *random)
{
    int tones = 2 + one_of(random, MOST_TONES - 1);
    double high = fmin(between(random, 2000, 22000), 0.45 * rate_hz);
    bool evenly = support_uniform(random) < 0.3;
    for (int i = 0; i < tones; i++) {
        double share = (i + 0.5) / tones;
        double f = evenly ? 20 + share * (high - 20) : 20 * pow(high / 20, share);
        double start = support_uniform(random), cycles = f / rate_hz;
        for (int64_t n = 0; n < count; n++)
            x[n] += sine(start + cycles * (double)n) / tones;
    }
}

static void fill_noise(double *x, int64_t count, double rate_hz, enum kind kind,
                       struct support_random *random)
{
    for (int64_t n = 0; n < count; n++)
        x[n] = 0.2 * support_gaussian(random);
    if (kind == PINK) { /* three poles spread over the band: about −3 dB an octave */
        double low[3] = {0};
        static const double poles[] = {0.997, 0.96, 0.6}, shares[] = {0.1, 0.3, 0.4};
        for (int64_t n = 0; n < count; n++) {
            double in = x[n];
            x[n] = 0;
            for (int i = 0; i < 3; i++) {
                low[i] += (1 - poles[i]) * (in - low[i]);
                x[n] += low[i] / shares[i];
            }
        }
    }
    for (int pass = 0; kind == CLIFF && pass < 4; pass++) { /* low-pass of 8th order */
        double w = 2 * M_PI * fmin(22000 / rate_hz, 0.45), q = 0.9, c = cos(w);
        double alpha = sin(w) / (2 * q), norm = 1 + alpha, y1 = 0, y2 = 0, x1 = 0, x2 = 0;
        for (int64_t n = 0; n < count; n++) {
            double in = x[n], out = ((1 - c) / 2 * (in + 2 * x1 + x2) + 2 * c * y1 -
                                     (1 - alpha) * y2) /
                                    norm;
            x2 = x1;
            x1 = in;
            y2 = y1;
            y1 = out;
            x[n] = out;
        }
    }
}

static void fill_edges(double *x, int64_t count, double rate_hz, enum kind kind,
                       struct support_random *random)
{
    double cycles = 20 * pow(100, support_uniform(random)) / rate_hz;
    int64_t period = (int64_t)(1 / cycles);
    for (int64_t n = 0; n < count; n++)
        x[n] = kind == SQUARE ? (n % period < period / 2 ? 1 : -1) : n % period == 0;
}

static void fill(double *x, int64_t count, double rate_hz, enum kind kind,
                 struct support_random *random)
{
    double cycles = any_frequency(random, rate_hz) / rate_hz;
    switch (kind) {
    case BURSTS:
    case LEVELS:
    case FREQUENCIES:
        fill_sections(x, count, rate_hz, kind, random);
        break;
    case SWEEP:
        fill_sweep(x, count, between(random, 5, 50),
                   fmin(between(random, 2000, 90000), 0.49 * rate_hz), rate_hz);
        break;
    case SWEEPS:
        fill_sweeps(x, count, rate_hz, random);
        break;
    case MULTITONE:
        fill_multitone(x, count, rate_hz, random);
        break;
    case WHITE:
    case PINK:
    case CLIFF:
        fill_noise(x, count, rate_hz, kind, random);
        break;
    case SQUARE:
    case IMPULSES:
        fill_edges(x, count, rate_hz, kind, random);
        break;
    default:
        fill_tone(x, count, cycles, support_uniform(random));
    }
    if (kind == CLIPPED || (kind == MULTITONE && support_uniform(random) < 0.2)) {
        double most = 0;
        for (int64_t n = 0; n < count; n++)
            most = fmax(most, fabs(x[n]));
        most *= between(random, 0.3, 0.99);
        for (int64_t n = 0; n < count; n++)
            x[n] = fmax(-most, fmin(most, x[n]));
    }
    bool clicks = kind == CLICKS || (kind == MULTITONE && support_uniform(random) < 0.2);
    for (int i = 0; clicks && i < 3; i++)
        x[(int64_t)(support_uniform(random) * (double)count)] += between(random, -1, 1);
}

/* Now and then: mains, dc, silence before and after, a fade. */
static void spoil(double *x, int64_t count, double rate_hz, struct support_random *random)
{
    if (support_uniform(random) < 0.2)
        for (int64_t n = 0; n < count; n++)
            x[n] += 0.001 * sine(50.0 * (double)n / rate_hz) +
                    0.0003 * sine(150.0 * (double)n / rate_hz);
    if (support_uniform(random) < 0.2)
        for (int64_t n = 0; n < count; n++)
            x[n] += 0.01;
    int64_t first = (int64_t)(support_uniform(random) * (double)count / 3);
    if (support_uniform(random) < 0.3)
        memset(x, 0, sizeof *x * (size_t)first);
    if (support_uniform(random) < 0.3)
        memset(x + count - first, 0, sizeof *x * (size_t)first);
    if (support_uniform(random) < 0.2)
        for (int64_t n = 0; n < first; n++)
            x[n] *= (double)n / (double)first;
}

static const int formats[] = {SF_FORMAT_PCM_16, SF_FORMAT_PCM_24, SF_FORMAT_PCM_32,
                              SF_FORMAT_FLOAT};
static const int bits_of[] = {16, 24, 32, 0};

/* As the channels of a file: each with its own noise and dither. */
static struct recording recorded(const double *x, int64_t count, int rate_hz,
                                 struct support_random *random, char *text)
{
    int channels = 1 + one_of(random, one_of(random, 4) ? 2 : 8),
        format = one_of(random, 4);
    double level_dbfs = support_uniform(random) < 0.6 ? between(random, -20, 0)
                                                      : between(random, -120, -20);
    double noise_dbfs = support_uniform(random) < 0.7 ? between(random, -130, -85) : -400;
    bool dithered = support_uniform(random) < 0.6;
    struct recording recording = recording_new(rate_hz, channels, count);
    recording.format = SF_FORMAT_WAV | formats[format];
    double level = pow(10, level_dbfs / 20), noise = pow(10, noise_dbfs / 20) * M_SQRT1_2;
    double scale = bits_of[format] ? ldexp(1, bits_of[format] - 1) : 0;
    static double gaussian[NOISE];
    for (int i = 0; i < NOISE; i++)
        gaussian[i] = support_gaussian(random);
    for (int64_t n = 0; n < count; n++)
        for (int c = 0; c < channels; c++) {
            double value = level * x[n];
            if (noise_dbfs > -300)
                value += noise * gaussian[one_of(random, NOISE)];
            if (scale > 0) {
                value = value * scale;
                if (dithered)
                    value += support_uniform(random) - support_uniform(random);
                value = fmax(-scale, fmin(scale - 1, nearbyint(value))) / scale;
            }
            recording.samples[n * channels + c] = value;
        }
    sprintf(text, "%d Hz, %d channels, %d bit%s, %.1f dBFS, noise %.1f dBFS", rate_hz,
            channels, bits_of[format], dithered ? " dithered" : "", level_dbfs,
            noise_dbfs);
    return recording;
}

static bool alarmed(uint64_t seed)
{
    static const int rates[] = {44100,  48000,  88200,  96000,  176400,
                                192000, 352800, 384000, 705600, 768000};
    struct support_random random = support_random_seed(seed);
    int rate_hz = rates[one_of(&random, 10)];
    enum kind kind = (enum kind)(seed % KINDS);
    int64_t count = (int64_t)(between(&random, 0.3, 0.8) * rate_hz);
    if (rate_hz > 100000 && seed % 8)
        count /= 4;
    double *x = calloc((size_t)count, sizeof *x);
    char text[200];
    assert_non_null(x);
    /* A clock 200 ppm off, drifting: so little that it moves the frequencies only. */
    double clock_hz = rate_hz * (1 + 1e-6 * between(&random, -200, 200));
    fill(x, count, clock_hz, kind, &random);
    spoil(x, count, rate_hz, &random);
    struct recording recording = recorded(x, count, rate_hz, &random, text);
    free(x);
    recording_breaks(&recording, &health);
    bool alarm = health.warning_count > 0;
    for (int c = 0; c < health.channel_count; c++)
        alarm |= health.channels[c].dropout_count > 0 ||
                 health.channels[c].clean.first_frame != 0 ||
                 health.channels[c].clean.frames != count;
    if (alarm)
        fprintf(stderr, "seed %llu: %s, %s: %s\n", (unsigned long long)seed, names[kind],
                text, health.warnings[0].message);
    return alarm;
}

static void clean_recordings_raise_no_alarm(void **state)
{
    (void)state;
    const char *given = getenv("BREAKS_SEEDS");
    int alarms = 0, seeds = given ? atoi(given) : RECORDINGS;
    for (int seed = 1; seed <= seeds; seed++)
        alarms += alarmed((uint64_t)seed);
    assert_int_equal(alarms, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clean_recordings_raise_no_alarm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
