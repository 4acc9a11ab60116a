#include "analysis/signals/silence.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/signals/parameters.h"

struct signal_stream {
    int channels;
};

static bool begin(const struct settings *parameters, struct signal_stream **ret,
                  struct problem *problem)
{
    struct signal_stream *stream = malloc(sizeof *stream);
    if (!stream)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to render silence.");
    stream->channels = signal_form(parameters).channels;
    *ret = stream;
    return true;
}

static void next(struct signal_stream *stream, int32_t *interleaved, int64_t frames)
{
    memset(interleaved, 0,
           (size_t)frames * (size_t)stream->channels * sizeof *interleaved);
}

static void end(struct signal_stream *stream)
{
    free(stream);
}

static const struct setting_description parameters[] = {PARAMETERS_COMMON};
static_assert(sizeof parameters / sizeof parameters[0] == PARAMETER_COMMON_COUNT,
              "a parameter for every index");

const struct signal silence_signal = {
    .description =
        {
            .name = "silence",
            .summary = "Digital silence: every sample is 0.",
            .settings = parameters,
            .setting_count = PARAMETER_COMMON_COUNT,
        },
    .measured_by = "noise",
    .begin = begin,
    .next = next,
    .end = end,
};
