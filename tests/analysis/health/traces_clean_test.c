/* No false alarms: recordings of what a tester plays, drawn at random, bit-true or
 * through a fair device, raise none of the warnings of `traces`. The seed of one that
 * does is printed. */
#include "tests/analysis/health/traces_feed.h"

enum { DRAWN = 300, TONES_MAX = 60, KINDS = 10 };

enum kind {
    TONE,
    TONES,
    SWEEP,
    WHITE,
    PINK,
    SQUARE,
    IMPULSES,
    PAIR,
    STEPS,
    PAUSES,
};

static const char *const kind_names[KINDS] = {
    "tone",   "multitone", "sweep",     "white noise",    "pink noise",
    "square", "impulses",  "two tones", "stepped levels", "tone with pauses"};

struct drawn {
    enum kind kind;
    int rate_hz, bits; /* 0: floats */
    int count;         /* of tones */
    double frequency_hz[TONES_MAX], amplitude[TONES_MAX], phase[TONES_MAX];
    double duration_s, level, noise, ppm, drift, second, third, dc;
    double cliff, held[2], pink[3];
    bool dithered;
    struct support_random random;
};

static double uniform(struct drawn *drawn, double low, double high)
{
    return low + (high - low) * support_uniform(&drawn->random);
}

static double log_uniform(struct drawn *drawn, double low, double high)
{
    return low * pow(high / low, support_uniform(&drawn->random));
}

static double clean(struct drawn *d, int64_t n)
{
    double t = (double)n / d->rate_hz, value = 0, f = d->frequency_hz[0];
    t *= 1 + 1e-6 * (d->ppm + d->drift * t / 2);
    double phase = 2 * M_PI * fmod(f * t, 1) + d->phase[0];
    double white = support_gaussian(&d->random) / 4;
    switch (d->kind) {
    case TONE:
        return d->level * sin(phase);
    case TONES:
    case PAIR:
        for (int i = 0; i < d->count; i++)
            value += d->amplitude[i] *
                     sin(2 * M_PI * fmod(d->frequency_hz[i] * t, 1) + d->phase[i]);
        return d->level * value;
    case SWEEP: {
        double rate = log(0.45 * d->rate_hz / 20) / d->duration_s;
        return d->level * sin(2 * M_PI * fmod(20 / rate * expm1(t * rate), 1));
    }
    case WHITE:
        return d->level * white;
    case PINK: /* three poles, after P. Kellett, from memory */
        d->pink[0] = 0.99765 * d->pink[0] + white * 0.0990460;
        d->pink[1] = 0.96300 * d->pink[1] + white * 0.2965164;
        d->pink[2] = 0.57000 * d->pink[2] + white * 1.0526913;
        return d->level * (d->pink[0] + d->pink[1] + d->pink[2] + white * 0.1848) / 5;
    case SQUARE:
        return sin(phase) >= 0 ? d->level : -d->level;
    case IMPULSES:
        return fmod(f * t, 1) < f / d->rate_hz ? d->level : 0;
    case STEPS:
        return d->level * pow(10, -floor(10 * t / d->duration_s) / 2) * sin(phase);
    case PAUSES: {
        double x = t / d->duration_s;
        bool silent = x < 0.2 || x > 0.85 || (x > 0.5 && x < 0.55);
        return silent ? 0 : d->level * sin(phase);
    }
    }
    return 0;
}

static double sample(int64_t n, int channel, void *context)
{
    struct drawn *d = context;
    (void)channel;
    double x = clean(d, n);
    x += d->second * x * x + d->third * x * x * x + d->dc;
    if (d->cliff > 0) { /* a filter of the device's own */
        d->held[0] += d->cliff * (x - d->held[0]);
        x = d->held[1] += d->cliff * (d->held[0] - d->held[1]);
    }
    x += d->noise * support_gaussian(&d->random);
    if (d->bits == 0)
        return x;
    double steps = ldexp(1, d->bits - 1), dither = 0;
    if (d->dithered)
        dither = support_uniform(&d->random) - support_uniform(&d->random);
    return fmax(-1, fmin(1 - 1 / steps, nearbyint(x * steps + dither) / steps));
}

static double drawn_frequency(struct drawn *d)
{
    static const double round_hz[] = {20,  25,  30,  40,   50,   60,   100,  120,
                                      150, 180, 200, 997,  1000, 1100, 2000, 5000,
                                      180, 300, 975, 6000, 7800, 10000};
    enum { ROUND = sizeof round_hz / sizeof round_hz[0] };
    double highest = 0.45 * d->rate_hz < 40000 ? 0.45 * d->rate_hz : 40000;
    if (support_uniform(&d->random) < 0.5)
        return fmin(round_hz[(int)uniform(d, 0, ROUND)], highest);
    return log_uniform(d, 20, highest);
}

static void draw_tones(struct drawn *d)
{
    static const double pairs_hz[][2] = {
        {60, 7000}, {250, 8000}, {18000, 20000}, {19000, 20000}, {10000, 10050}};
    d->count = d->kind == PAIR ? 2 : 2 + (int)uniform(d, 0, TONES_MAX - 1);
    bool thirds = support_uniform(&d->random) < 0.5;
    const double *pair = pairs_hz[(int)uniform(d, 0, 5)];
    for (int i = 0; i < d->count; i++) {
        double hz = thirds ? 1000 * pow(10, (i % 31 - 17) / 10.0) : drawn_frequency(d);
        if (d->kind == PAIR)
            hz = pair[i];
        d->frequency_hz[i] = fmin(hz, 0.45 * d->rate_hz);
        d->amplitude[i] = 1.0 / d->count;
        d->phase[i] = uniform(d, 0, 2 * M_PI);
    }
    if (d->kind == PAIR && pair[0] < 300)
        d->amplitude[0] = 0.8, d->amplitude[1] = 0.2;
}

static void draw(uint64_t seed, struct drawn *d)
{
    static const int rates_hz[] = {44100,  48000,  88200,  96000,
                                   176400, 192000, 384000, 768000};
    static const int bits[] = {16, 24, 32, 0};
    *d = (struct drawn){.random = support_random_seed(seed)};
    d->kind = (enum kind)uniform(d, 0, KINDS);
    d->rate_hz = rates_hz[(int)uniform(d, 0, 8)];
    d->bits = bits[(int)uniform(d, 0, 4)];
    d->dithered = support_uniform(&d->random) < 0.5;
    d->duration_s = log_uniform(d, 0.3, 1e6 / d->rate_hz > 15 ? 15 : 1e6 / d->rate_hz);
    d->level = pow(10, uniform(d, -6, 0));
    d->frequency_hz[0] = drawn_frequency(d);
    if (d->kind == TONES || d->kind == PAIR)
        draw_tones(d);
    if (support_uniform(&d->random) < 0.5)
        return; /* bit-true */
    d->noise = pow(10, uniform(d, -6.5, -4.5));
    d->ppm = uniform(d, -200, 200);
    d->drift = uniform(d, -0.1, 0.1);
    d->second = pow(10, uniform(d, -6, -4));
    d->third = pow(10, uniform(d, -6, -4));
    d->dc = uniform(d, -1e-3, 1e-3);
    if (d->rate_hz > 100000)
        d->cliff = 1 - exp(-2 * M_PI * 22000 / d->rate_hz);
}

static void clean_recordings_raise_no_warning(void **state)
{
    static struct health health;
    int alarms = 0;
    (void)state;
    for (uint64_t seed = 1; seed <= DRAWN; seed++) {
        struct drawn drawn;
        draw(seed, &drawn);
        struct made made = {drawn.rate_hz, 1, drawn.duration_s, sample, &drawn, 0};
        traces_take(&made, &health);
        if (health.warning_count == 0)
            continue;
        alarms++;
        print_error("seed %llu: %s of %.6g Hz, level %g, noise %g, at %d Hz, %d bits%s, "
                    "%.3g s: %s\n",
                    (unsigned long long)seed, kind_names[drawn.kind],
                    drawn.frequency_hz[0], drawn.level, drawn.noise, drawn.rate_hz,
                    drawn.bits, drawn.dithered ? " dithered" : "", drawn.duration_s,
                    health.warnings[0].message);
    }
    assert_int_equal(alarms, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clean_recordings_raise_no_warning),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
