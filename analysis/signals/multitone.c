#include "analysis/signals/multitone.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/signals/level.h"
#include "analysis/signals/mixer.h"
#include "analysis/signals/parameters.h"
#include "analysis/signals/quantise.h"

enum {
    BLOCK = TONE_BANK_BLOCK,
    LEAST_APART = 14, /* lines: twice the half lobe of the 7-term window */
    PEAK_FRAMES = 8,  /* a cycle of the highest tone, for its peak */
};

static const double coarsest_hz = 0.4; /* of the grid */
static const uint64_t seed = 179;

/* Where the tones lie, before their peak is known. */
struct layout {
    int count;
    int64_t period, cycles[MULTITONE_MAX_TONES];
    uint64_t phases[MULTITONE_MAX_TONES]; /* in 2^-40 turns */
};

struct signal_stream {
    int channels;
    double scale; /* amplitude of a tone, in steps of the file */
    int64_t frame;
    double block[BLOCK]; /* that the next frame lies in, unless it begins one */
    struct quantise quantise;
    struct tone_bank bank;
};

static struct layout layout_of(const struct settings *parameters)
{
    const struct setting_value *values = parameters->values;
    double rate_hz = values[PARAMETER_SAMPLE_RATE_HZ].number;
    double lowest_hz = values[MULTITONE_LOWEST_HZ].number;
    double ratio = values[MULTITONE_HIGHEST_HZ].number / lowest_hz;
    struct layout layout = {.count = (int)values[MULTITONE_COUNT].number, .period = 1};
    while (rate_hz / (double)layout.period > coarsest_hz)
        layout.period *= 2;
    for (int i = 0; i < layout.count; i++) {
        /* The last bits of pow are lost in the rounding. */
        double hz = lowest_hz * pow(ratio, i / (layout.count - 1.0));
        double lines = hz * (double)layout.period / rate_hz;
        int64_t cycles = 2 * llround((lines - 1) / 2) + 1;
        if (i > 0 && cycles < layout.cycles[i - 1] + LEAST_APART)
            cycles = layout.cycles[i - 1] + LEAST_APART;
        layout.cycles[i] = cycles;
        layout.phases[i] = mixer_mixed(seed + (uint64_t)(i + 1) * MIXER_STEP) >> 24;
    }
    return layout;
}

static double highest_hz_of(const struct layout *layout,
                            const struct settings *parameters)
{
    return (double)layout->cycles[layout->count - 1] / (double)layout->period *
           parameters->values[PARAMETER_SAMPLE_RATE_HZ].number;
}

/* A layout that can be played. */
static bool lay_out(const struct settings *parameters, struct layout *ret,
                    struct problem *problem)
{
    const struct setting_value *values = parameters->values;
    double lowest_hz = values[MULTITONE_LOWEST_HZ].number;
    double highest_hz = values[MULTITONE_HIGHEST_HZ].number;
    double rate_hz = values[PARAMETER_SAMPLE_RATE_HZ].number;
    if (lowest_hz >= highest_hz)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "lowest_hz",
                           "lowest_hz must lie below highest_hz: %.10g Hz is not below "
                           "%.10g Hz.",
                           lowest_hz, highest_hz);
    struct layout layout = layout_of(parameters);
    double line_hz = rate_hz / (double)layout.period;
    double last_hz = highest_hz_of(&layout, parameters);
    if (last_hz > highest_hz + line_hz)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "count",
                           "%d tones, %.3g Hz or more apart, from %.10g Hz on reach up "
                           "to %.6g Hz, beyond highest_hz, %.10g Hz. Ask for fewer, or "
                           "for a wider span.",
                           layout.count, LEAST_APART * line_hz, lowest_hz, last_hz,
                           highest_hz);
    if (2 * layout.cycles[layout.count - 1] >= layout.period)
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "highest_hz",
            "Tones up to %.10g Hz need a sample rate above %.10g Hz; it is "
            "%.10g Hz. Lower highest_hz, or raise sample_rate_hz.",
            highest_hz, 2 * highest_hz, rate_hz);
    *ret = layout;
    return true;
}

/* Amplitude of each tone; uses *bank. */
static double amplitude_of(const struct layout *layout, const struct settings *parameters,
                           struct tone_bank *bank)
{
    int64_t frames = 1;
    while (frames < PEAK_FRAMES * layout->cycles[layout->count - 1])
        frames *= 2;
    tone_bank_fill(layout->cycles, layout->phases, layout->count, frames, bank);
    return level_peak(parameters->values[MULTITONE_LEVEL_DBFS].number) /
           tone_bank_peak(bank, frames);
}

int multitone_tones(const struct settings *parameters,
                    struct multitone_tone tones[MULTITONE_MAX_TONES],
                    struct problem *problem)
{
    struct layout layout = {0};
    if (!lay_out(parameters, &layout, problem))
        return 0;
    for (int i = 0; i < layout.count; i++)
        tones[i] = (struct multitone_tone){
            .cycles = layout.cycles[i],
            .period_frames = layout.period,
            .phase = 2 * M_PI * (double)layout.phases[i] / (double)TONE_BANK_TURN,
        };
    return layout.count;
}

double multitone_amplitude(const struct settings *parameters)
{
    struct layout layout = layout_of(parameters);
    struct tone_bank bank;
    return amplitude_of(&layout, parameters, &bank);
}

static bool begin(const struct settings *parameters, struct signal_stream **ret,
                  struct problem *problem)
{
    struct signal_form form = signal_form(parameters);
    struct layout layout = {0};
    if (!lay_out(parameters, &layout, problem))
        return false;
    struct signal_stream *stream = malloc(sizeof *stream);
    if (!stream)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to render %d tones.", layout.count);
    stream->channels = form.channels;
    stream->scale =
        amplitude_of(&layout, parameters, &stream->bank) * ldexp(1, form.bits - 1);
    stream->frame = 0;
    stream->quantise = quantise_begin(form.bits, true);
    tone_bank_fill(layout.cycles, layout.phases, layout.count, layout.period,
                   &stream->bank);
    *ret = stream;
    return true;
}

static void next(struct signal_stream *stream, int32_t *interleaved, int64_t frames)
{
    for (int64_t i = 0; i < frames; i++, stream->frame++) {
        int place = (int)(stream->frame % BLOCK);
        if (place == 0)
            tone_bank_block(&stream->bank, stream->frame, stream->block);
        quantise_frame(&stream->quantise, stream->scale * stream->block[place],
                       stream->channels, interleaved + i * stream->channels);
    }
}

static void end(struct signal_stream *stream)
{
    free(stream);
}

static const struct setting_description parameters[] = {
    PARAMETERS_COMMON,
    {"count", SETTING_INTEGER, "", "31", 2, MULTITONE_MAX_TONES, NULL,
     "number of tones, spread evenly over the octaves"},
    {"lowest_hz", SETTING_NUMBER, "Hz", "20", 10, 384000, NULL,
     "frequency near which the lowest tone lies"},
    {"highest_hz", SETTING_NUMBER, "Hz", "20000", 10, 384000, NULL,
     "frequency near which the highest tone lies, below half the sample rate"},
    {"level_dbfs", SETTING_NUMBER, "dBFS", "-1", -120, 0, NULL,
     "level of a sine with the highest peak of the sum; 0 dBFS reaches full scale"},
};
static_assert(sizeof parameters / sizeof parameters[0] == MULTITONE_PARAMETER_COUNT,
              "a parameter for every index");

const struct signal multitone_signal = {
    .description =
        {
            .name = "multitone",
            .summary = "Many steady tones of one amplitude at once, the same in every "
                       "channel.",
            .settings = parameters,
            .setting_count = MULTITONE_PARAMETER_COUNT,
        },
    .measured_by = "multitone",
    .begin = begin,
    .next = next,
    .end = end,
};
