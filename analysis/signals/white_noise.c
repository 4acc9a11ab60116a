#include "analysis/signals/white_noise.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/signals/level.h"
#include "analysis/signals/mixer.h"
#include "analysis/signals/parameters.h"

struct signal_stream {
    int channels;
    double scale;
    uint64_t counters[DESCRIPTION_MAX_CHANNELS];
};

static bool begin(const struct settings *parameters, struct signal_stream **ret,
                  struct problem *problem)
{
    /* Variance of one uniform number of 0 … 65535: (65536² − 1)/12. */
    const double sum_rms = sqrt(4 * (65536.0 * 65536.0 - 1) / 12);
    struct signal_form form = signal_form(parameters);
    struct signal_stream *stream = malloc(sizeof *stream);
    if (!stream)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to render noise.");
    double level = level_peak(parameters->values[WHITE_NOISE_LEVEL_DBFS].number);
    stream->channels = form.channels;
    stream->scale = level * M_SQRT1_2 * ldexp(1, form.bits - 1) / sum_rms;
    for (int c = 0; c < DESCRIPTION_MAX_CHANNELS; c++)
        stream->counters[c] = mixer_mixed(0x6E6F697365212121u + (uint64_t)c);
    *ret = stream;
    return true;
}

static double sum_of_four(uint64_t number)
{
    uint64_t sum = (number & 0xFFFF) + (number >> 16 & 0xFFFF) + (number >> 32 & 0xFFFF) +
                   (number >> 48);
    return (double)sum - 4 * 32767.5;
}

static void next(struct signal_stream *stream, int32_t *interleaved, int64_t frames)
{
    for (int64_t i = 0; i < frames; i++)
        for (int c = 0; c < stream->channels; c++) {
            stream->counters[c] += MIXER_STEP;
            double value = sum_of_four(mixer_mixed(stream->counters[c])) * stream->scale;
            interleaved[i * stream->channels + c] = (int32_t)nearbyint(value);
        }
}

static void pass_over(struct signal_stream *stream, int64_t frames)
{
    for (int c = 0; c < stream->channels; c++)
        stream->counters[c] += MIXER_STEP * (uint64_t)frames;
}

static void end(struct signal_stream *stream)
{
    free(stream);
}

static const struct setting_description parameters[] = {
    PARAMETERS_COMMON,
    {"level_dbfs", SETTING_NUMBER, "dBFS", "-20", -120, -8, NULL,
     "rms level, 0 dBFS being that of a sine that reaches full scale; peaks are at most "
     "7.8 dB higher"},
};
static_assert(sizeof parameters / sizeof parameters[0] == WHITE_NOISE_PARAMETER_COUNT,
              "a parameter for every index");

const struct signal white_noise_signal = {
    .description =
        {
            .name = "white-noise",
            .summary = "White noise up to half the sample rate, each channel its own.",
            .settings = parameters,
            .setting_count = WHITE_NOISE_PARAMETER_COUNT,
        },
    .begin = begin,
    .next = next,
    .pass_over = pass_over,
    .end = end,
};
