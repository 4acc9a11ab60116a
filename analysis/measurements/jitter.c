#include "analysis/measurements/jitter.h"

#include <math.h>

#include "analysis/measurements/figures.h"
#include "analysis/measurements/jitter_figures.h"
#include "analysis/measurements/jitter_tables.h"

enum {
    SETTING_FREQUENCY_HZ = SETTING_COMMON_COUNT,
    SETTING_PLAYBACK_RATE_HZ,
    SETTING_PATTERN_BITS,
    SETTING_OFFSET_BAND_HZ,
    JITTER_SETTINGS,
};

enum { PATTERN_AUTO, PATTERN_NONE };
static const char *const pattern_choices[] = {"auto", "none", NULL};

static const struct setting_description settings_table[JITTER_SETTINGS] = {
    MEASUREMENT_COMMON_SETTINGS,
    [SETTING_FREQUENCY_HZ] = {"frequency_hz", SETTING_NUMBER, "Hz", "null", 500, 384000,
                              NULL,
                              "nominal frequency of the carrier, sought within 1 %; the "
                              "strongest tone from 500 Hz on when not given"},
    [SETTING_PLAYBACK_RATE_HZ] = {"playback_rate_hz", SETTING_NUMBER, "Hz", "null", 8000,
                                  768000, NULL,
                                  "sample rate at which the pattern was played, its "
                                  "carrier being a quarter of it; the signal's when not "
                                  "given, else the recording's"},
    [SETTING_PATTERN_BITS] =
        {"pattern_bits", SETTING_CHOICE_OR_NUMBER, "bit", "\"auto\"", 16, 24,
         pattern_choices,
         "the jitter pattern's bits, whose own lines do not count; auto: those found, "
         "which are taken with a warning where others are given; none: a plain tone "
         "was played"},
    [SETTING_OFFSET_BAND_HZ] = {"offset_band_hz", SETTING_RANGE, "Hz", "null", 1, 384000,
                                NULL,
                                "distance from the carrier within which random jitter is "
                                "taken, never beyond where both sidebands lie; 100 Hz to "
                                "an eighth of the sample rate when not given"},
};

static struct jitter_request request_of(const struct measurement_input *input,
                                        int sample_rate_hz)
{
    const double lowest_hz = 100, highest_share = 1 / 8.0;
    const struct setting_value *values = input->settings->values;
    const struct setting_value *pattern = &values[SETTING_PATTERN_BITS];
    const struct setting_value *band = &values[SETTING_OFFSET_BAND_HZ];
    struct jitter_request request = {
        .playback_rate_hz = sample_rate_hz,
        .playback_told = values[SETTING_PLAYBACK_RATE_HZ].given || input->played,
        .look_for_pattern = pattern->choice != PATTERN_NONE,
        .offset_band_hz = {lowest_hz, highest_share * sample_rate_hz},
    };
    if (values[SETTING_PLAYBACK_RATE_HZ].given)
        request.playback_rate_hz = values[SETTING_PLAYBACK_RATE_HZ].number;
    else if (input->played)
        request.playback_rate_hz = input->played->values[PARAMETER_SAMPLE_RATE_HZ].number;
    if (values[SETTING_FREQUENCY_HZ].given)
        request.frequency_hz = values[SETTING_FREQUENCY_HZ].number;
    if (pattern->choice < 0)
        request.pattern_bits = pattern->number;
    if (band->given) {
        request.offset_band_hz[0] = band->range[0];
        request.offset_band_hz[1] = band->range[1];
    }
    return request;
}

static bool check_request(const struct jitter_request *request, int sample_rate_hz,
                          struct problem *problem)
{
    double half = sample_rate_hz / 2.0;
    if (request->pattern_bits != floor(request->pattern_bits))
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "pattern_bits",
                           "No pattern has %g bits; give a whole number from 16 to 24.",
                           request->pattern_bits);
    if (request->frequency_hz >= half)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "frequency_hz",
                           "A recording at %d Hz holds no tone at %g Hz: it must lie "
                           "below %g Hz.",
                           sample_rate_hz, request->frequency_hz, half);
    /* Both sidebands lie farthest away from a carrier in the middle. */
    if (request->offset_band_hz[0] >= half / 2)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "offset_band_hz",
                           "The band begins %g Hz from the carrier, but in a recording "
                           "at %d Hz no carrier has both sidebands from %g Hz on; give a "
                           "lower band.",
                           request->offset_band_hz[0], sample_rate_hz, half / 2);
    return true;
}

static bool nothing_to_measure(const struct jitter_channel *channels, int count,
                               const struct jitter_request *request,
                               struct problem *problem)
{
    bool silent = true, brief = true, beside = false;
    double longest = 0, hz = 0, low_hz = 0;
    for (int c = 0; c < count; c++) {
        const struct jitter_channel *channel = &channels[c];
        silent = silent && channel->reason == REASON_DIGITAL_SILENCE;
        brief = brief && (channel->reason == REASON_NOT_ENOUGH_DATA ||
                          channel->reason == REASON_DIGITAL_SILENCE);
        longest = fmax(longest, (double)channel->span.frames / channel->sample_rate_hz);
        if (channel->reason == REASON_ABOVE_BAND) {
            beside = true;
            hz = channel->cycles * channel->sample_rate_hz;
        } else {
            low_hz = fmax(low_hz, channel->cycles * channel->sample_rate_hz);
        }
    }
    if (silent)
        return true; /* answered with figures that say digital_silence */
    if (brief)
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                           "The longest part with a steady level (within 0.5 dB) lasts "
                           "%.3f s, which is too short; record at least 1 s of the "
                           "signal jitter-pattern, better 10 s.",
                           longest);
    if (beside)
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                           "The tone at %.1f Hz lies so near to half the sample rate "
                           "that its upper sidebands are not in the recording; record at "
                           "a higher rate, or play a lower tone.",
                           hz);
    if (request->frequency_hz > 0)
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, "frequency_hz",
                           "No tone stands above the noise within 1 %% of %g Hz.",
                           request->frequency_hz);
    if (low_hz > 0)
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                           "The strongest tone is at %.1f Hz; sidebands are told of one "
                           "from 500 Hz on. Play a higher tone, or give frequency_hz if "
                           "there is one.",
                           low_hz);
    return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                       "No carrier stands above the noise from 500 Hz on; play the "
                       "signal jitter-pattern, or one steady tone of some 10 kHz near "
                       "full scale.");
}

/* A carrier that was there at the beginning but does not stay: in a part of steady level
 * one of its segments has less than half of the mean. */
static bool drop_lost_carriers(struct jitter_channel *channels, int count,
                               struct problem *problem)
{
    bool any = false, lost = false;
    double hz = 0;
    for (int c = 0; c < count; c++) {
        struct jitter_channel *channel = &channels[c];
        if (!channel->has_carrier)
            continue;
        if (!(channel->weakest > moments_mean_x(&channel->carrier) / 2)) {
            channel->has_carrier = false;
            channel->reason = REASON_NOT_DETERMINABLE;
            hz = channel->track.cycles0 * channel->sample_rate_hz;
            lost = true;
        }
        any = any || channel->has_carrier;
    }
    if (any || !lost)
        return true;
    return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                       "The tone that begins at %.1f Hz does not stay; play one steady "
                       "tone, or choose a part with start_s and duration_s.",
                       hz);
}

static bool report_channels(struct jitter_channel *channels, int count,
                            const struct jitter_request *request, struct report *report,
                            struct problem *problem)
{
    for (int c = 0; c < count; c++) {
        struct jitter_channel *channel = &channels[c];
        if (!channel->has_carrier) {
            report_none_all(report, c, channel->reason);
            continue;
        }
        figures_span(report, c, &channel->plan, channel->sample_rate_hz);
        if (!jitter_figures(channel, request, report, c, problem))
            return false;
    }
    return true;
}

static bool report_all(const struct course_job *job, void *channels, int count, bool any,
                       struct problem *problem)
{
    return (any || nothing_to_measure(channels, count, job->request, problem)) &&
           drop_lost_carriers(channels, count, problem) &&
           report_channels(channels, count, job->request, job->report, problem);
}

static bool run(const struct measurement_input *input, struct report *report,
                struct problem *problem)
{
    static const struct course course = {sizeof(struct jitter_channel),
                                         SPANS_STEADY,
                                         jitter_pass_prepare,
                                         jitter_pass_run,
                                         report_all,
                                         jitter_channel_free};
    int rate = capture_format(input->capture)->sample_rate_hz;
    struct jitter_request request = request_of(input, rate);
    if (!check_request(&request, rate, problem))
        return false;
    return course_run(&course, &(struct course_job){input, &request, report}, problem);
}

const struct measurement jitter_measurement = {
    .description =
        {
            .name = "jitter",
            .summary =
                "Sidebands of one high tone: jitter, amplitude modulation and what is "
                "added, told apart",
            .stimulus = "the signal jitter-pattern, or one steady tone from 500 Hz, the "
                        "higher the better",
            .settings = settings_table,
            .setting_count = JITTER_SETTINGS,
            .figures = jitter_tables_figures,
            .figure_count = JITTER_FIGURES,
            .lists = jitter_tables_lists,
            .list_count = JITTER_LISTS,
            .series = jitter_tables_series,
            .series_count = JITTER_SERIES,
        },
    .run = run,
};
