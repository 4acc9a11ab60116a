/* The law of no false alarms: nothing that we render, bit-true or through a fair device,
 * may raise a warning of levels or pairs but those it seeds. Random signals, each from
 * its own seed, which is printed on failure. */
#include "analysis/core/decibel.h"
#include "tests/analysis/health/listening.h"

enum { TONE, SWEEP, MULTITONE, WHITE, PINK, SQUARE, IMPULSES, KINDS, MOST_TONES = 60 };
static const char *const kinds[] = {"tone",       "sweep",  "multitone", "white noise",
                                    "pink noise", "square", "impulses"};

struct source {
    int kind, rate, tones;
    double peak, frequency_hz, duration_s;
    double frequencies[MOST_TONES], phases[MOST_TONES];
    double pink[3];
};

static double uniform_in(struct support_random *random, double low, double high)
{
    return low + (high - low) * support_uniform(random);
}

static struct source source_new(int kind, int rate, double duration_s,
                                struct support_random *random)
{
    struct source source = {.kind = kind, .rate = rate, .duration_s = duration_s};
    source.peak = decibel_to_amplitude(
        support_uniform(random) < 0.2 ? 0 : uniform_in(random, -120, 0));
    double top = 0.45 * rate, ratio = top / 20;
    source.frequency_hz = 20 * pow(ratio, support_uniform(random));
    if (support_uniform(random) < 0.4) /* few phases */
        source.frequency_hz = fmax(20, floor(source.frequency_hz / 100) * 100);
    source.tones = 2 + (int)(support_uniform(random) * (MOST_TONES - 1));
    for (int i = 0; i < source.tones; i++) {
        source.frequencies[i] = 20 * pow(fmin(ratio, 1000), (i + 0.5) / source.tones);
        source.phases[i] = support_uniform(random);
    }
    return source;
}

/* Within ±1. */
static double shape(struct source *source, struct support_random *random, int64_t n)
{
    double t = (double)n / source->rate, sum = 0;
    double turns = synthetic_turns(source->frequency_hz, 0, 0, source->rate, n);
    double octaves = log(0.45 * source->rate / 20);
    double white = 2 * support_uniform(random) - 1;
    switch (source->kind) {
    case TONE:
        return sin(2 * M_PI * turns);
    case SWEEP:
        return sin(2 * M_PI * 20 * source->duration_s / octaves *
                   (exp(t / source->duration_s * octaves) - 1));
    case MULTITONE:
        for (int i = 0; i < source->tones; i++)
            sum += sin(2 * M_PI * (source->frequencies[i] * t + source->phases[i]));
        return sum / source->tones;
    case WHITE:
        return white;
    case PINK: /* three poles: near enough (Kellet's economy filter, from memory) */
        source->pink[0] = 0.99765 * source->pink[0] + white * 0.0990460;
        source->pink[1] = 0.96300 * source->pink[1] + white * 0.2965164;
        source->pink[2] = 0.57000 * source->pink[2] + white * 1.0526913;
        return (source->pink[0] + source->pink[1] + source->pink[2] + 0.1848 * white) /
               12;
    case SQUARE:
        return turns < 0.5 ? 1 : -1;
    default:
        return n % (source->rate / 50) == 0 ? 1 : 0;
    }
}

/* Fades of 50 ms and silence at both ends, or neither. */
static double envelope(double t, double duration_s)
{
    double from_end = fmin(t, duration_s - t) - 0.1;
    if (from_end <= 0)
        return 0;
    return from_end < 0.05 ? 0.5 - 0.5 * cos(M_PI * from_end / 0.05) : 1;
}

static void hear(uint64_t seed, char what[160])
{
    static const int rates[] = {44100,  48000,  88200,  96000,
                                176400, 192000, 384000, 768000};
    static const int all_bits[] = {16, 24, 32, 0};
    struct support_random random = support_random_seed(seed);
    int kind = (int)(seed % KINDS), rate = rates[(int)(8 * support_uniform(&random))];
    int bits = all_bits[(int)(4 * support_uniform(&random))];
    int channels = 1 + (int)(3 * support_uniform(&random));
    double duration_s = rate > 100000 ? 0.5 : 1.5;
    bool paused = support_uniform(&random) < 0.4;
    bool dithered = channels > 1 || support_uniform(&random) < 0.5;
    bool device = support_uniform(&random) < 0.5; /* noise, gain, dc of its own */
    struct source source = source_new(kind, rate, duration_s, &random);
    double floor_rms = device ? decibel_to_amplitude(uniform_in(&random, -130, -90)) : 0;
    double step = bits > 0 ? ldexp(1, 1 - bits) : 0x1p-23;
    snprintf(what, 160, "seed %d: %s, %g dBFS, %g Hz, %d Hz, %d bits, %d channels%s%s%s",
             (int)seed, kinds[kind], 20 * log10(source.peak), source.frequency_hz, rate,
             bits, channels, paused ? ", paused" : "", dithered ? ", dithered" : "",
             device ? ", device" : "");
    struct heard heard = heard_new(rate, channels, bits, duration_s);
    for (int64_t n = 0; n < heard.frames; n++) {
        double value = source.peak * shape(&source, &random, n);
        if (paused)
            value *= envelope((double)n / rate, duration_s);
        for (int c = 0; c < channels; c++) {
            double own = device ? value * (0.99 - 0.01 * c) + 1e-4 : value;
            own += floor_rms * support_gaussian(&random);
            *heard_at(&heard, n, c) = own + (dithered ? step * heard_tpdf(&random) : 0);
        }
    }
    struct health *health = heard_health(&heard);
    for (int c = 1; c < channels; c++) /* all are simultaneous */
        if (fabs(health->channels[c].delay_frames) > 0.5 &&
            floor_rms < source.peak / 1000)
            fail_msg("%s: delay %g", what, health->channels[c].delay_frames);
    /* Below half a step, undithered, nothing is left: that is told. */
    if (!dithered && health->channels[0].silent)
        assert_int_equal(heard_warned(health, "channel_silent", 0), 1);
    else if (bits == 32 && health->channels[0].peak < 0x1p-8 &&
             health->channels[0].peak > 0x1p-10)
        /* What 24 bits at the wrong end of 32 look like: the very same samples. */
        assert_int_equal(heard_warned(health, "suspect_right_justified", -1),
                         health->warning_count);
    else
        heard_silent(health, what);
    free(health);
    free(heard.samples);
}

static void clean_signals_raise_no_warning(void **state)
{
    (void)state;
    const char *only = getenv("SEED");
    char what[160];
    if (only) /* one again */
        hear(strtoull(only, NULL, 10), what);
    for (uint64_t seed = 1; !only && seed <= 350; seed++)
        hear(seed, what);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clean_signals_raise_no_warning),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
