#include "analysis/signals/jitter_pattern.h"

#include <assert.h>
#include <stdlib.h>

#include "analysis/signals/parameters.h"

struct signal_stream {
    int channels, place; /* within the pattern */
    int32_t pattern[JITTER_PATTERN_FRAMES];
};

static int tones(const struct settings *parameters, double hz[SIGNAL_TONES])
{
    hz[0] =
        signal_form(parameters).sample_rate_hz / (double)JITTER_PATTERN_CARRIER_FRAMES;
    return 1;
}

static bool begin(const struct settings *parameters, struct signal_stream **ret,
                  struct problem *problem)
{
    struct signal_form form = signal_form(parameters);
    int pattern_bits = (int)parameters->values[JITTER_PATTERN_BITS].number;
    if (pattern_bits > form.bits)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "pattern_bits",
                           "A pattern of %d bits does not fit samples of %d bits. Ask "
                           "for bits=%d, or for pattern_bits=%d.",
                           pattern_bits, form.bits, pattern_bits, form.bits);
    struct signal_stream *stream = malloc(sizeof *stream);
    if (!stream)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to render a jitter pattern.");
    *stream = (struct signal_stream){.channels = form.channels};
    int32_t half = (int32_t)1 << (form.bits - 2);
    int32_t step = (int32_t)1 << (form.bits - pattern_bits);
    for (int n = 0; n < JITTER_PATTERN_FRAMES; n++) {
        int quarter = n % JITTER_PATTERN_CARRIER_FRAMES;
        stream->pattern[n] =
            (quarter < JITTER_PATTERN_CARRIER_FRAMES / 2 ? -half : half) -
            (n < JITTER_PATTERN_FRAMES / 2 ? 0 : step);
    }
    *ret = stream;
    return true;
}

static void next(struct signal_stream *stream, int32_t *interleaved, int64_t frames)
{
    for (int64_t i = 0; i < frames; i++) {
        for (int c = 0; c < stream->channels; c++)
            interleaved[i * stream->channels + c] = stream->pattern[stream->place];
        stream->place = (stream->place + 1) % JITTER_PATTERN_FRAMES;
    }
}

static void end(struct signal_stream *stream)
{
    free(stream);
}

static const char *const pattern_bits[] = {"16", "24", NULL};

static const struct setting_description parameters[] = {
    PARAMETERS_COMMON,
    {"pattern_bits", SETTING_INTEGER, "bit", "24", 16, 24, pattern_bits,
     "bits whose lowest the slow square toggles, at most those of the file"},
};
static_assert(sizeof parameters / sizeof parameters[0] == JITTER_PATTERN_PARAMETER_COUNT,
              "a parameter for every index");

const struct signal jitter_pattern_signal = {
    .description =
        {
            .name = "jitter-pattern",
            .summary =
                "A square at a quarter of the sample rate, half of full scale, and "
                "one of 1 LSB at 1/192 of it; undithered, the same in every "
                "channel.",
            .settings = parameters,
            .setting_count = JITTER_PATTERN_PARAMETER_COUNT,
        },
    .measured_by = "jitter",
    .tones = tones,
    .begin = begin,
    .next = next,
    .end = end,
};
