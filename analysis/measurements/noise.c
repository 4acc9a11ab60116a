#include "analysis/measurements/noise.h"

#include <math.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/noise_figures.h"
#include "analysis/measurements/noise_tables.h"
#include "analysis/signals/silence.h"
#include "analysis/signals/tone.h"

enum {
    SETTING_TONE = SETTING_COMMON_COUNT,
    SETTING_FULL_SCALE_LEVEL_DBFS,
    SETTING_MAINS_HZ,
    NOISE_SETTINGS,
};

enum { TONE_AUTO, TONE_NONE };
static const char *const tone_choices[] = {"auto", "none", NULL};
static const char *const mains_choices[] = {"auto", NULL};

static const struct setting_description settings_table[NOISE_SETTINGS] = {
    MEASUREMENT_COMMON_SETTINGS,
    [SETTING_TONE] = {"tone", SETTING_CHOICE, "", "\"auto\"", 0, 0, tone_choices,
                      "auto: a tone at -60 dBFS is found and left out where one was "
                      "played; none: everything is noise"},
    [SETTING_FULL_SCALE_LEVEL_DBFS] = {"full_scale_level_dbfs", SETTING_NUMBER, "dBFS",
                                       "null", -60, 20, NULL,
                                       "level of the device's own full scale in the "
                                       "recording, for the dynamic range without a "
                                       "tone"},
    [SETTING_MAINS_HZ] = {"mains_hz", SETTING_CHOICE_OR_NUMBER, "Hz", "\"auto\"", 50, 60,
                          mains_choices,
                          "50 or 60; auto: whichever family of lines is stronger"},
};

/* A signal that is neither silence nor a tone says nothing here. */
static void take_signal(const struct measurement_input *input,
                        struct noise_request *request)
{
    if (!input->signal)
        return;
    if (input->signal == &silence_signal)
        request->seeks_tone = false;
    if (input->signal == &tone_signal && input->played) {
        request->tone_hz = input->played->values[TONE_FREQUENCY_HZ].number;
        request->played_dbfs = input->played->values[TONE_LEVEL_DBFS].number;
    }
}

static bool request_of(const struct measurement_input *input, struct noise_request *ret,
                       struct problem *problem)
{
    const struct setting_value *values = input->settings->values;
    const struct setting_value *full = &values[SETTING_FULL_SCALE_LEVEL_DBFS];
    const struct setting_value *mains = &values[SETTING_MAINS_HZ];
    struct noise_request request = {
        .band_hz = {values[SETTING_COMMON_BAND_HZ].range[0],
                    values[SETTING_COMMON_BAND_HZ].range[1]},
        .seeks_tone = true,
        .played_dbfs = -60, /* AES17 */
        .has_full_scale = full->given,
        .full_scale_level_dbfs = full->number,
    };
    if (mains->choice < 0 && mains->number != 50 && mains->number != 60)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "mains_hz",
                           "No mains has %g Hz; give 50 or 60, or auto.", mains->number);
    request.has_family = mains->choice < 0;
    if (request.has_family)
        request.family = mains->number == 60 ? MAINS_60 : MAINS_50;
    take_signal(input, &request);
    if (values[SETTING_TONE].choice == TONE_NONE)
        request.seeks_tone = false;
    *ret = request;
    return true;
}

static bool nothing_to_measure(const struct noise_channel *channels, int count,
                               struct problem *problem)
{
    double longest = 0;
    for (int c = 0; c < count; c++) {
        if (channels[c].reason == REASON_DIGITAL_SILENCE)
            return true; /* answered with figures that say so */
        longest =
            fmax(longest, (double)channels[c].span.frames / channels[c].sample_rate_hz);
    }
    return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                       "The longest part without a break or digital silence lasts "
                       "%.3f s, which is too short; record at least 1 s, better 10 s.",
                       longest);
}

/* A tone that sounds in the middle but does not fill the part that is measured would be
 * neither left out nor a reference. */
static bool drop_lost_tones(struct noise_channel *channels, int count,
                            struct problem *problem)
{
    const double most_db = 1;
    bool any = false;
    double hz = 0;
    for (int c = 0; c < count; c++) {
        struct noise_channel *channel = &channels[c];
        double kept = moments_mean_x(&channel->tone_power) / channel->tone_found;
        if (channel->is_measured && channel->has_tone &&
            !(fabs(decibel_from_power(kept)) <= most_db)) {
            channel->is_measured = false;
            channel->reason = REASON_NOT_DETERMINABLE;
            hz = channel->tone_hz;
        }
        any = any || channel->is_measured;
    }
    return any || hz == 0 ||
           problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                       "The tone of %.1f Hz in the middle of the recording does not stay "
                       "as strong as it is there. Choose a part with start_s and "
                       "duration_s in which it does.",
                       hz);
}

static bool report_channels(const struct noise_channel *channels, int count,
                            const struct noise_request *request, struct report *report,
                            struct problem *problem)
{
    for (int c = 0; c < count; c++) {
        const struct noise_channel *channel = &channels[c];
        if (!channel->is_measured) {
            report_none_all(report, c, channel->reason);
            continue;
        }
        figures_span(report, c, &channel->plan, channel->sample_rate_hz);
        if (!noise_figures(channel, request, report, c, problem))
            return false;
    }
    return true;
}

static bool report_all(const struct course_job *job, void *channels, int count, bool any,
                       struct problem *problem)
{
    return (any || nothing_to_measure(channels, count, problem)) &&
           drop_lost_tones(channels, count, problem) &&
           report_channels(channels, count, job->request, job->report, problem);
}

static bool run(const struct measurement_input *input, struct report *report,
                struct problem *problem)
{
    static const struct course course = {sizeof(struct noise_channel),
                                         SPANS_STEADY,
                                         noise_pass_prepare,
                                         noise_pass_run,
                                         report_all,
                                         noise_channel_free};
    struct noise_request request;
    if (!spans_check_band(input->settings, capture_format(input->capture)->sample_rate_hz,
                          problem) ||
        !request_of(input, &request, problem))
        return false;
    return course_run(&course, &(struct course_job){input, &request, report}, problem);
}

const struct measurement noise_measurement = {
    .description =
        {
            .name = "noise",
            .summary = "Level of idle noise, weighted and not, dynamic range, hum",
            .stimulus = "silence, or one tone at -60 dBFS; at least 1 s, better 10 s",
            .settings = settings_table,
            .setting_count = NOISE_SETTINGS,
            .figures = noise_tables_figures,
            .figure_count = NOISE_FIGURES,
            .lists = noise_tables_lists,
            .list_count = NOISE_LISTS,
            .series = noise_tables_series,
            .series_count = NOISE_SERIES,
        },
    .run = run,
};
