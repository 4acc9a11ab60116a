#include "analysis/signals/twin_tone.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/signals/level.h"
#include "analysis/signals/parameters.h"
#include "analysis/signals/quantise.h"
#include "analysis/signals/tone.h"

#define MICRO 1000000

struct signal_stream {
    int channels;
    double peak[2];                    /* in steps of the file */
    int64_t step[2], phase[2], period; /* in units of 1/period of a turn */
    struct quantise quantise;
};

static const struct {
    double frequency_hz[2], ratio;
} kinds[] = {
    [TWIN_TONE_SMPTE] = {{60, 7000}, 4},
    [TWIN_TONE_DIN] = {{250, 8000}, 4},
    [TWIN_TONE_DIFFERENCE_FREQUENCY] = {{18000, 20000}, 1},
    [TWIN_TONE_PAIR] = {{NAN, NAN}, 1},
};

struct twin_tone twin_tone_of(const struct settings *parameters)
{
    const struct setting_value *values = parameters->values;
    int kind = values[TWIN_TONE_KIND].choice;
    struct twin_tone twin;
    for (int i = 0; i < 2; i++) {
        const struct setting_value *given = &values[TWIN_TONE_FREQUENCY_1_HZ + i];
        twin.frequency_hz[i] = given->given ? given->number : kinds[kind].frequency_hz[i];
    }
    const struct setting_value *given = &values[TWIN_TONE_AMPLITUDE_RATIO];
    double ratio = given->given ? given->number : kinds[kind].ratio;
    double sum = level_peak(values[TWIN_TONE_LEVEL_DBFS].number);
    twin.amplitude[0] = sum * ratio / (1 + ratio);
    twin.amplitude[1] = sum / (1 + ratio);
    return twin;
}

static int tones(const struct settings *parameters, double hz[SIGNAL_TONES])
{
    struct twin_tone twin = twin_tone_of(parameters);
    for (int i = 0; i < 2; i++)
        hz[i] = twin.frequency_hz[i];
    return 2;
}

static bool check(const struct twin_tone *twin, int sample_rate_hz,
                  struct problem *problem)
{
    static const char *const names[] = {"frequency_1_hz", "frequency_2_hz"};
    const double *hz = twin->frequency_hz;
    for (int i = 0; i < 2; i++)
        if (isnan(hz[i]))
            return problem_set(problem, PROBLEM_OUT_OF_RANGE, names[i],
                               "The kind pair has no frequencies of its own: give "
                               "frequency_1_hz and frequency_2_hz, in Hz.");
    if (llround(hz[0] * MICRO) >= llround(hz[1] * MICRO))
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, names[0],
                           "frequency_1_hz is the lower one of the two: %.10g Hz is not "
                           "below frequency_2_hz, %.10g Hz.",
                           hz[0], hz[1]);
    if (2 * llround(hz[1] * MICRO) >= (int64_t)sample_rate_hz * MICRO)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, names[1],
                           "A tone of %.10g Hz needs a sample rate above %.10g Hz; it is "
                           "%d Hz.",
                           hz[1], 2 * hz[1], sample_rate_hz);
    return true;
}

static bool begin(const struct settings *parameters, struct signal_stream **ret,
                  struct problem *problem)
{
    struct signal_form form = signal_form(parameters);
    struct twin_tone twin = twin_tone_of(parameters);
    if (!check(&twin, form.sample_rate_hz, problem))
        return false;
    struct signal_stream *stream = malloc(sizeof *stream);
    if (!stream)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to render two tones.");
    *stream = (struct signal_stream){
        .channels = form.channels,
        .period = (int64_t)form.sample_rate_hz * MICRO,
        .quantise = quantise_begin(form.bits, true),
    };
    for (int i = 0; i < 2; i++) {
        stream->peak[i] = twin.amplitude[i] * ldexp(1, form.bits - 1);
        stream->step[i] = llround(twin.frequency_hz[i] * MICRO);
    }
    *ret = stream;
    return true;
}

static void next(struct signal_stream *stream, int32_t *interleaved, int64_t frames)
{
    for (int64_t n = 0; n < frames; n++) {
        double value = 0;
        for (int i = 0; i < 2; i++) {
            value += stream->peak[i] * tone_sine(stream->phase[i], stream->period);
            stream->phase[i] += stream->step[i];
            if (stream->phase[i] >= stream->period)
                stream->phase[i] -= stream->period;
        }
        quantise_frame(&stream->quantise, value, stream->channels,
                       interleaved + n * stream->channels);
    }
}

static void end(struct signal_stream *stream)
{
    free(stream);
}

static const char *const kind_words[] = {"smpte", "din", "difference-frequency", "pair",
                                         NULL};

static const struct setting_description parameters[] = {
    PARAMETERS_COMMON,
    {"kind", SETTING_CHOICE, "", "\"smpte\"", 0, 0, kind_words,
     "60 Hz and 7 kHz, 4:1; 250 Hz and 8 kHz, 4:1; 18 and 20 kHz, 1:1; or the pair "
     "given"},
    {"frequency_1_hz", SETTING_NUMBER, "Hz", "null", 1, 384000, NULL,
     "frequency of the lower tone; null: the kind's"},
    {"frequency_2_hz", SETTING_NUMBER, "Hz", "null", 1, 384000, NULL,
     "frequency of the upper tone, below half the sample rate; null: the kind's"},
    {"amplitude_ratio", SETTING_NUMBER, "", "null", 0.01, 100, NULL,
     "amplitude of the lower tone re the upper one's; null: the kind's, 1 for a pair"},
    {"level_dbfs", SETTING_NUMBER, "dBFS", "-1", -140, 0, NULL,
     "level of a sine with the peak of both tones' amplitudes together; 0 dBFS reaches "
     "full scale"},
};
static_assert(sizeof parameters / sizeof parameters[0] == TWIN_TONE_PARAMETER_COUNT,
              "a parameter for every index");

const struct signal twin_tone_signal = {
    .description =
        {
            .name = "twin-tone",
            .summary = "Two steady tones at once, the same in every channel, each "
                       "beginning at phase 0.",
            .settings = parameters,
            .setting_count = TWIN_TONE_PARAMETER_COUNT,
        },
    .measured_by = "intermodulation",
    .tones = tones,
    .begin = begin,
    .next = next,
    .end = end,
};
