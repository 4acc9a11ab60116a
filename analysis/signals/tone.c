#include "analysis/signals/tone.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/signals/level.h"
#include "analysis/signals/parameters.h"
#include "analysis/signals/quantise.h"

#define MICRO 1000000

struct signal_stream {
    int channels;
    double peak;                 /* in steps of the file */
    int64_t step, phase, period; /* in units of 1/period of a turn */
    struct quantise quantise;
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

static int tones(const struct settings *parameters, double hz[SIGNAL_TONES])
{
    hz[0] = parameters->values[TONE_FREQUENCY_HZ].number;
    return 1;
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
    *stream = (struct signal_stream){
        .channels = form.channels,
        .peak = level_peak(values[TONE_LEVEL_DBFS].number) * ldexp(1, form.bits - 1),
        .step = step,
        .period = period,
        .quantise =
            quantise_begin(form.bits, values[TONE_DITHER].choice == TONE_DITHER_TPDF),
    };
    *ret = stream;
    return true;
}

static void next(struct signal_stream *stream, int32_t *interleaved, int64_t frames)
{
    for (int64_t i = 0; i < frames; i++) {
        double value = stream->peak * tone_sine(stream->phase, stream->period);
        quantise_frame(&stream->quantise, value, stream->channels,
                       interleaved + i * stream->channels);
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
    .measured_by = "distortion",
    .tones = tones,
    .begin = begin,
    .next = next,
    .end = end,
};
