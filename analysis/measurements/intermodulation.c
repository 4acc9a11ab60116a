#include "analysis/measurements/intermodulation.h"

#include <math.h>
#include <string.h>

#include "analysis/measurements/intermodulation_figures.h"
#include "analysis/measurements/intermodulation_tables.h"
#include "analysis/signals/twin_tone.h"

enum {
    SETTING_KIND = SETTING_COMMON_COUNT,
    SETTING_FREQUENCY_1_HZ,
    SETTING_FREQUENCY_2_HZ,
    INTERMODULATION_SETTINGS,
};

/* The words of the signal `twin-tone`, behind one more. */
static const char *const kind_choices[] = {"auto", "smpte", "din", "difference-frequency",
                                           "pair", NULL};
enum { KIND_AUTO, KIND_OF_SIGNAL };

static const struct setting_description settings_table[INTERMODULATION_SETTINGS] = {
    MEASUREMENT_COMMON_SETTINGS,
    [SETTING_KIND] =
        {"kind", SETTING_CHOICE, "", "\"auto\"", 0, 0, kind_choices,
         "smpte (60 Hz and 7 kHz), din (250 Hz and 8 kHz); the two strongest "
         "tones in band for a difference-frequency pair, and for any other"},
    [SETTING_FREQUENCY_1_HZ] = {"frequency_1_hz", SETTING_NUMBER, "Hz", "null", 5, 384000,
                                NULL,
                                "nominal frequency of the lower tone, sought within 1 %; "
                                "the kind's when not given"},
    [SETTING_FREQUENCY_2_HZ] = {"frequency_2_hz", SETTING_NUMBER, "Hz", "null", 5, 384000,
                                NULL,
                                "nominal frequency of the upper tone, sought within 1 %; "
                                "the kind's when not given"},
};

static bool check_told(const double hz[2], int sample_rate_hz, struct problem *problem)
{
    static const char *const names[] = {"frequency_1_hz", "frequency_2_hz"};
    for (int t = 0; t < 2; t++)
        if (isnan(hz[t]))
            return problem_set(problem, PROBLEM_OUT_OF_RANGE, names[t],
                               "One frequency of a pair, %g Hz, does not tell the other: "
                               "give both frequency_1_hz and frequency_2_hz, or none.",
                               hz[1 - t]);
    if (hz[0] >= hz[1])
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, names[0],
                           "frequency_1_hz is the lower tone: %g Hz is not below "
                           "frequency_2_hz, %g Hz.",
                           hz[0], hz[1]);
    if (2 * hz[1] >= sample_rate_hz)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, names[1],
                           "A recording at %d Hz holds no tone at %g Hz: it must lie "
                           "below %g Hz.",
                           sample_rate_hz, hz[1], sample_rate_hz / 2.0);
    return true;
}

static bool read_request(const struct settings *settings, int sample_rate_hz,
                         struct intermodulation_request *ret, struct problem *problem)
{
    const struct setting_value *values = settings->values;
    const struct setting_value *first = &values[SETTING_FREQUENCY_1_HZ];
    const struct setting_value *second = &values[SETTING_FREQUENCY_2_HZ];
    int choice = values[SETTING_KIND].choice;
    struct intermodulation_request request = {
        .band_hz = {values[SETTING_COMMON_BAND_HZ].range[0],
                    values[SETTING_COMMON_BAND_HZ].range[1]},
    };
    int kind = choice == KIND_AUTO ? TWIN_TONE_PAIR : choice - KIND_OF_SIGNAL;
    if (choice != KIND_AUTO)
        request.kind = kind_choices[choice];
    request.close = kind == TWIN_TONE_DIFFERENCE_FREQUENCY;
    request.told =
        first->given || second->given || kind == TWIN_TONE_SMPTE || kind == TWIN_TONE_DIN;
    if (request.told) {
        struct settings played = {.description = &twin_tone_signal.description};
        played.values[TWIN_TONE_KIND].choice = kind;
        played.values[TWIN_TONE_FREQUENCY_1_HZ] = *first;
        played.values[TWIN_TONE_FREQUENCY_2_HZ] = *second;
        struct twin_tone tones = twin_tone_of(&played);
        for (int t = 0; t < 2; t++)
            request.frequency_hz[t] = tones.frequency_hz[t];
        if (!check_told(request.frequency_hz, sample_rate_hz, problem))
            return false;
    }
    *ret = request;
    return true;
}

/* Of what was played with other levels or frequencies than its kind has, no other kind is
 * to be expected than it is. */
static void expect_played(const struct measurement_input *input,
                          struct intermodulation_request *request)
{
    if (input->signal != &twin_tone_signal)
        return;
    int played = input->played->values[TWIN_TONE_KIND].choice;
    int asked = input->settings->values[SETTING_KIND].choice;
    struct twin_tone twin = twin_tone_of(input->played);
    if (asked == KIND_OF_SIGNAL + played && played != TWIN_TONE_PAIR)
        request->kind = intermodulation_pair_kind(
            twin.frequency_hz, 20 * log10(twin.amplitude[0] / twin.amplitude[1]));
}

#define PLAY_A_PAIR                                                                      \
    "Play two steady tones at once, such as the signal twin-tone renders, or give "      \
    "frequency_1_hz and frequency_2_hz."

static bool tell_brief(const struct intermodulation_channel *channel,
                       struct problem *problem)
{
    return problem_set(
        problem, PROBLEM_NOT_MEASURABLE, NULL,
        "The longest part with a steady level (within 0.5 dB) lasts %.3f s, which is too "
        "short; record at least 1 s of the two tones, or 42 periods of the lower one or "
        "of their difference where that is longer.",
        (double)channel->span.frames / channel->sample_rate_hz);
}

/* Why a channel that has a signal has no pair. */
static bool tell_fault(const struct intermodulation_channel *channel,
                       const struct intermodulation_request *request,
                       struct problem *problem)
{
    const struct intermodulation_pair *pair = &channel->pair;
    const double *hz = pair->hz, *told = request->frequency_hz;
    int number = channel->channel + 1, absent = pair->fault == PAIR_UPPER_ABSENT;
    switch (pair->fault) {
    case PAIR_FOUND: /* lost later on */
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "Channel %d: the tones that begin at %.1f and %.1f Hz do not both stay: "
            "the power of one changes by more than 30 %% of itself. Play both tones "
            "steadily at once, or choose a part with start_s and duration_s.",
            number, hz[0], hz[1]);
    case PAIR_NO_TONE:
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                           "Channel %d: no tone stands above the noise from %g to %g Hz. "
                           "" PLAY_A_PAIR,
                           number, request->band_hz[0], request->band_hz[1]);
    case PAIR_ONE_TONE:
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "Channel %d: there is one tone only, at %.1f Hz; no second one comes within "
            "20 dB of it from %g to %g Hz. " PLAY_A_PAIR,
            number, hz[0], request->band_hz[0], request->band_hz[1]);
    case PAIR_HARMONIC:
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "Channel %d: the two strongest tones, at %.1f and %.1f Hz, are one and its "
            "harmonic. " PLAY_A_PAIR,
            number, hz[0], hz[1]);
    case PAIR_THREE_TONES:
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "Channel %d: beside the tones at %.1f and %.1f Hz a third one at %.1f Hz "
            "comes within 10 dB that is none of their products. " PLAY_A_PAIR,
            number, hz[0], hz[1], hz[2]);
    case PAIR_NOT_CLOSE:
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, "kind",
            "Channel %d: the tones at %.1f and %.1f Hz are no difference-frequency pair, "
            "whose upper one lies below 1.5 times the lower; ask for the kind auto.",
            number, hz[0], hz[1]);
    case PAIR_LOWER_ABSENT:
    case PAIR_UPPER_ABSENT:
        break;
    }
    return problem_set(
        problem, PROBLEM_NOT_MEASURABLE, absent ? "frequency_2_hz" : "frequency_1_hz",
        "Channel %d: of the pair %g and %g Hz no tone is found near %g Hz. "
        "Play both tones at once, or tell the pair that was played by kind, "
        "frequency_1_hz and frequency_2_hz.",
        number, told[0], told[1], told[absent]);
}

/* With no pair in any channel: digital silence is answered with figures that say so. */
static bool nothing_to_measure(const struct intermodulation_channel *channels, int count,
                               const struct intermodulation_request *request,
                               struct problem *problem)
{
    const struct intermodulation_channel *brief = NULL;
    for (int c = 0; c < count; c++) {
        if (channels[c].reason == REASON_NOT_DETERMINABLE)
            return tell_fault(&channels[c], request, problem);
        if (channels[c].reason == REASON_NOT_ENOUGH_DATA &&
            (!brief || channels[c].span.frames > brief->span.frames))
            brief = &channels[c];
    }
    return !brief || tell_brief(brief, problem);
}

/* Standard deviation of a tone's power over the segments, relative to its mean; NaN below
 * three segments. A tone that is there for nine tenths of them has 0.33, a steady one 20
 * dB above the noise in its lobe 0.14. */
static double scatter_of(const struct moments *power)
{
    double t = statistics_student_975(fmax(power->count - 1, 1));
    return moments_u95(power) * sqrt(power->count) / t / moments_mean_x(power);
}

/* Tones that were there at the beginning but do not stay. Returns whether any channel is
 * left. */
static bool drop_lost_tones(struct intermodulation_channel *channels, int count)
{
    const double unsteady = 0.3;
    bool any = false;
    for (int c = 0; c < count; c++) {
        struct intermodulation_channel *channel = &channels[c];
        for (int t = 0; t < 2 && channel->has_pair; t++)
            if (scatter_of(&channel->tone[t]) > unsteady) {
                channel->has_pair = false;
                channel->reason = REASON_NOT_DETERMINABLE;
            }
        any = any || channel->has_pair;
    }
    return any;
}

static void report_channels(const struct intermodulation_channel *channels, int count,
                            const struct intermodulation_request *request,
                            struct report *report)
{
    for (int c = 0; c < count; c++) {
        const struct intermodulation_channel *channel = &channels[c];
        const char *kind;
        if (!channel->has_pair) {
            report_none_all(report, c, channel->reason);
            continue;
        }
        intermodulation_figures(channel, report, c, &kind);
        if (request->kind &&
            request->kind != kind_choices[KIND_OF_SIGNAL + TWIN_TONE_PAIR] &&
            strcmp(request->kind, kind) != 0)
            report_warn(report, "wrong_signal", channel->channel + 1,
                        "The kind %s is asked for, but the tones of %.1f and %.1f Hz "
                        "with their levels are of the kind %s: figures compare only with "
                        "those of the same pair. Play the signal twin-tone of that kind.",
                        request->kind, channel->pair.hz[0], channel->pair.hz[1], kind);
    }
}

static bool report_all(const struct course_job *job, void *channels, int count, bool any,
                       struct problem *problem)
{
    (void)any; /* of those that were, all may be dropped */
    if (!drop_lost_tones(channels, count) &&
        !nothing_to_measure(channels, count, job->request, problem))
        return false;
    report_channels(channels, count, job->request, job->report);
    return true;
}

static bool run(const struct measurement_input *input, struct report *report,
                struct problem *problem)
{
    static const struct course course = {sizeof(struct intermodulation_channel),
                                         SPANS_STEADY,
                                         intermodulation_pass_prepare,
                                         intermodulation_pass_run,
                                         report_all,
                                         intermodulation_pass_free};
    struct intermodulation_request request;
    int rate = capture_format(input->capture)->sample_rate_hz;
    if (!spans_check_band(input->settings, rate, problem) ||
        !read_request(input->settings, rate, &request, problem))
        return false;
    expect_played(input, &request);
    return course_run(&course, &(struct course_job){input, &request, report}, problem);
}

const struct measurement intermodulation_measurement = {
    .description =
        {
            .name = "intermodulation",
            .summary = "What a device makes of two tones together: sidebands, difference "
                       "frequencies and all products to the fifth order",
            .stimulus = "two steady tones at once within 20 dB of each other, at least 1 "
                        "s; 60 Hz and 7 kHz or 250 Hz and 8 kHz at 4:1, 18 and 20 or 19 "
                        "and 20 kHz at 1:1",
            .settings = settings_table,
            .setting_count = INTERMODULATION_SETTINGS,
            .figures = intermodulation_tables_figures,
            .figure_count = INTERMODULATION_FIGURES,
            .findings = intermodulation_tables_findings,
            .finding_count = INTERMODULATION_FINDINGS,
            .lists = intermodulation_tables_lists,
            .list_count = INTERMODULATION_LISTS,
            .series = intermodulation_tables_series,
            .series_count = INTERMODULATION_SERIES,
        },
    .run = run,
};
