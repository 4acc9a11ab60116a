#include "analysis/signals/tone.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/signals/mixer.h"
#include "analysis/signals/parameters.h"

#define MICRO 1000000

struct signal_stream {
    struct signal_form form;
    double peak, lowest, highest;
    int64_t step, phase, period; /* in units of 1/period of a turn */
    bool dithered;
    uint64_t noise[DESCRIPTION_MAX_CHANNELS];
};

/* Taylor series on 0…π/4; what is left out is below 1e-19. */
static double sine_of_octant(double x)
{
    double z = x * x, sum = 0;
    for (int n = 17; n > 1; n -= 2)
        sum = (1 + sum) * (-z / (n * (n - 1)));
    return x + x * sum;
}

static double cosine_of_octant(double x)
{
    double z = x * x, sum = 0;
    for (int n = 18; n > 0; n -= 2)
        sum = (1 + sum) * (-z / (n * (n - 1)));
    return 1 + sum;
}

double tone_sine(int64_t index, int64_t count)
{
    assert(count % 8 == 0 && index >= 0 && index < count);
    int64_t half = count / 2, quarter = count / 4;
    double sign = index < half ? 1 : -1;
    index %= half;
    if (index > quarter)
        index = half - index;
    if (index <= count / 8)
        return sign * sine_of_octant(2 * M_PI * (double)index / (double)count);
    return sign * cosine_of_octant(2 * M_PI * (double)(quarter - index) / (double)count);
}

/* Triangular within ±1: the difference of the two halves of one number, each uniform. */
static double triangular(uint64_t *state)
{
    *state += MIXER_STEP;
    uint64_t number = mixer_mixed(*state);
    return ((double)(number >> 32) - (double)(number & 0xFFFFFFFFu)) * 0x1p-32;
}

static bool begin(const struct settings *parameters, struct signal_stream **ret,
                  struct problem *problem)
{
    const struct setting_value *values = parameters->values;
    struct signal_form form = signal_form(parameters);
    int64_t period = (int64_t)form.sample_rate_hz * MICRO;
    int64_t step = llround(values[TONE_FREQUENCY_HZ].number * MICRO);
    if (2 * step >= period)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "frequency_hz",
                           "A tone of %.10g Hz needs a sample rate above %.10g Hz; it is "
                           "%d Hz.",
                           values[TONE_FREQUENCY_HZ].number,
                           2 * values[TONE_FREQUENCY_HZ].number, form.sample_rate_hz);
    struct signal_stream *stream = malloc(sizeof *stream);
    if (!stream)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to render a tone.");
    double full_scale = ldexp(1, form.bits - 1);
    *stream = (struct signal_stream){
        .form = form,
        .peak = decibel_to_amplitude(values[TONE_LEVEL_DBFS].number) * full_scale,
        .lowest = -full_scale,
        .highest = full_scale - 1,
        .step = step,
        .period = period,
        .dithered = values[TONE_DITHER].choice == TONE_DITHER_TPDF,
    };
    for (int i = 0; i < DESCRIPTION_MAX_CHANNELS; i++)
        stream->noise[i] = mixer_mixed(0x5265736964756D21u + (uint64_t)i);
    *ret = stream;
    return true;
}

static int32_t quantised(const struct signal_stream *stream, double value)
{
    double rounded = nearbyint(value);
    if (rounded > stream->highest)
        rounded = stream->highest;
    if (rounded < stream->lowest)
        rounded = stream->lowest;
    return (int32_t)rounded;
}

static void next(struct signal_stream *stream, int32_t *interleaved, int64_t frames)
{
    int channels = stream->form.channels;
    for (int64_t i = 0; i < frames; i++) {
        double value = stream->peak * tone_sine(stream->phase, stream->period);
        for (int c = 0; c < channels; c++) {
            double noise = stream->dithered ? triangular(&stream->noise[c]) : 0;
            interleaved[i * channels + c] = quantised(stream, value + noise);
        }
        stream->phase += stream->step;
        if (stream->phase >= stream->period)
            stream->phase -= stream->period;
    }
}

static void end(struct signal_stream *stream)
{
    free(stream);
}

static const char *const dithers[] = {"tpdf", "none", NULL};

static const struct setting_description parameters[] = {
    PARAMETERS_COMMON,
    {"frequency_hz", SETTING_NUMBER, "Hz", "997", 1, 384000, NULL,
     "frequency of the tone, below half the sample rate"},
    {"level_dbfs", SETTING_NUMBER, "dBFS", "-1", -140, 0, NULL,
     "level of the tone; 0 dBFS is a sine that reaches full scale"},
    {"dither", SETTING_CHOICE, "", "\"tpdf\"", 0, 0, dithers,
     "noise added before rounding: triangular of ±1 LSB, or none"},
};
static_assert(sizeof parameters / sizeof parameters[0] == TONE_PARAMETER_COUNT,
              "a parameter for every index");

const struct signal tone_signal = {
    .description =
        {
            .name = "tone",
            .summary =
                "One steady tone, the same in every channel, beginning at phase 0.",
            .settings = parameters,
            .setting_count = TONE_PARAMETER_COUNT,
        },
    .begin = begin,
    .next = next,
    .end = end,
};
