#include "analysis/measurements/distortion.h"

#include <math.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/distortion_figures.h"
#include "analysis/measurements/distortion_tables.h"
#include "analysis/measurements/figures.h"

enum {
    SETTING_FREQUENCY_HZ = SETTING_COMMON_COUNT,
    SETTING_HARMONICS,
    SETTING_NOTCH,
    SETTING_FULL_SCALE_LEVEL_DBFS,
    DISTORTION_SETTINGS,
};

static const char *const notch_choices[] = {"band", NULL};

static const struct setting_description settings_table[DISTORTION_SETTINGS] = {
    MEASUREMENT_COMMON_SETTINGS,
    [SETTING_FREQUENCY_HZ] = {"frequency_hz", SETTING_NUMBER, "Hz", "null", 5, 384000,
                              NULL,
                              "nominal frequency of the tone, sought within 1 %; the "
                              "strongest line in band when not given"},
    [SETTING_HARMONICS] = {"harmonics", SETTING_INTEGER, "", "10", 2,
                           DISTORTION_MAX_ORDER, NULL,
                           "highest order listed and counted in THD"},
    [SETTING_NOTCH] =
        {"notch", SETTING_CHOICE_OR_NUMBER, "", "\"band\"", 1.2, 3, notch_choices,
         "how the residual is read: all of the band beside the fundamental, or "
         "through a notch filter of this Q (AES17)"},
    [SETTING_FULL_SCALE_LEVEL_DBFS] = {"full_scale_level_dbfs", SETTING_NUMBER, "dBFS",
                                       "0", -60, 20, NULL,
                                       "level of the device's own full scale in the "
                                       "recording, for enob_full_scale"},
};

static struct distortion_request request_of(const struct settings *settings)
{
    const struct setting_value *values = settings->values;
    struct distortion_request request = {
        .band_hz = {values[SETTING_COMMON_BAND_HZ].range[0],
                    values[SETTING_COMMON_BAND_HZ].range[1]},
        .harmonics = (int)values[SETTING_HARMONICS].number,
        .full_scale_level_dbfs = values[SETTING_FULL_SCALE_LEVEL_DBFS].number,
    };
    if (values[SETTING_FREQUENCY_HZ].given)
        request.frequency_hz = values[SETTING_FREQUENCY_HZ].number;
    if (values[SETTING_NOTCH].choice < 0)
        request.notch_q = values[SETTING_NOTCH].number;
    return request;
}

static bool check_request(const struct distortion_request *request, int sample_rate_hz,
                          struct problem *problem)
{
    double half = sample_rate_hz / 2.0;
    if (request->frequency_hz > 0 && (request->frequency_hz < request->band_hz[0] ||
                                      request->frequency_hz > request->band_hz[1]))
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "frequency_hz",
            "The tone at %g Hz lies outside band_hz, %g to %g Hz; widen the "
            "band.",
            request->frequency_hz, request->band_hz[0], request->band_hz[1]);
    if (request->frequency_hz >= half)
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "frequency_hz",
            "A recording at %d Hz holds no tone at %g Hz: it must lie below "
            "%g Hz.",
            sample_rate_hz, request->frequency_hz, half);
    return true;
}

static bool nothing_to_measure(const struct distortion_channel *channels, int count,
                               const struct distortion_request *request,
                               struct problem *problem)
{
    bool silent = true, brief = true; /* a silent channel is as brief as any */
    for (int i = 0; i < count; i++) {
        bool nothing = channels[i].reason == REASON_DIGITAL_SILENCE;
        silent = silent && nothing;
        brief = brief && (nothing || channels[i].reason == REASON_NOT_ENOUGH_DATA);
    }
    if (silent)
        return true; /* answered with figures that say digital_silence */
    if (brief) {
        double longest = 0;
        for (int i = 0; i < count; i++)
            longest = fmax(longest,
                           (double)channels[i].span.frames / channels[i].sample_rate_hz);
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "The longest part with a steady level (within 0.5 dB) lasts %.3f s, which is "
            "too short; record at least 1 s of a steady tone, or 42 of its periods where "
            "that is longer.",
            longest);
    }
    if (request->frequency_hz > 0)
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, "frequency_hz",
                           "No tone stands above the noise within 1 %% of %g Hz.",
                           request->frequency_hz);
    return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL,
                       "No tone stands above the noise from %g to %g Hz.",
                       request->band_hz[0], request->band_hz[1]);
}

/* An undithered tone whose period repeats after few samples puts its quantising error on
 * its own harmonics. Known by the nominal frequency, and by harmonics of high order that
 * outweigh the noise near the level of a 16-bit step. */
static void warn_correlated(const struct distortion_channel *channel,
                            const struct distortion_request *request,
                            const struct distortion_powers *powers, struct report *report)
{
    const double few = 1000, highest_dbfs = -85;
    long long micro = llround(request->frequency_hz * 1e6);
    long long rate = channel->sample_rate_hz * 1000000LL, a = rate, b = micro;
    while (b) {
        long long rest = a % b;
        a = b;
        b = rest;
    }
    double repeats = (double)rate / (double)a;
    if (micro == 0 || repeats >= few || powers->correlated <= powers->noise.mean ||
        dbfs_from_mean_square(powers->correlated) > highest_dbfs)
        return;
    report_warn(
        report, "correlated_quantisation", channel->channel + 1,
        "The tone of %g Hz repeats after %.0f samples at %d Hz, and its harmonics of "
        "high order outweigh the noise: quantising error of an undithered signal "
        "falls on them. Play a dithered tone, or one such as 997 Hz.",
        request->frequency_hz, repeats, channel->sample_rate_hz);
}

/* A tone that was there at the beginning but does not stay, as in a sweep: its power over
 * all segments does not exceed its scatter. */
static bool drop_lost_tones(struct distortion_channel *channels, int count,
                            struct problem *problem)
{
    bool any = false, lost = false;
    double hz = 0;
    for (int c = 0; c < count; c++) {
        struct distortion_channel *channel = &channels[c];
        if (!channel->has_tone)
            continue;
        const struct moments *power = &channel->fundamental;
        if (moments_mean_x(power) <= moments_u95(power)) {
            channel->has_tone = false;
            channel->reason = REASON_NOT_DETERMINABLE;
            hz = channel->track.cycles0 * channel->sample_rate_hz;
            lost = true;
        }
        any = any || channel->has_tone;
    }
    if (any || !lost)
        return true;
    return problem_set(
        problem, PROBLEM_NOT_MEASURABLE, NULL,
        "The tone that begins at %.1f Hz does not stay: its level within 1 %% "
        "of that frequency changes as much as it amounts to. Play one steady "
        "tone, or choose a part with start_s and duration_s.",
        hz);
}

static bool report_channels(const struct distortion_channel *channels, int count,
                            const struct distortion_request *request,
                            struct report *report, struct problem *problem)
{
    const struct distortion_channel *reference = NULL;
    for (int c = 0; c < count; c++)
        if (channels[c].channel == 0)
            reference = &channels[c];
    for (int c = 0; c < count; c++) {
        const struct distortion_channel *channel = &channels[c];
        struct distortion_powers powers;
        if (!channel->has_tone) {
            report_none_all(report, c, channel->reason);
            continue;
        }
        figures_span(report, c, &channel->plan, channel->sample_rate_hz);
        if (!distortion_figures(channel, request, reference, report, c, &powers, problem))
            return false;
        warn_correlated(channel, request, &powers, report);
    }
    return true;
}

static bool report_all(const struct course_job *job, void *channels, int count, bool any,
                       struct problem *problem)
{
    return (any || nothing_to_measure(channels, count, job->request, problem)) &&
           drop_lost_tones(channels, count, problem) &&
           report_channels(channels, count, job->request, job->report, problem);
}

static bool run(const struct measurement_input *input, struct report *report,
                struct problem *problem)
{
    static const struct course course = {sizeof(struct distortion_channel),
                                         SPANS_STEADY,
                                         distortion_pass_prepare,
                                         distortion_pass_run,
                                         report_all,
                                         distortion_channel_free};
    struct distortion_request request = request_of(input->settings);
    int rate = capture_format(input->capture)->sample_rate_hz;
    if (!spans_check_band(input->settings, rate, problem) ||
        !check_request(&request, rate, problem))
        return false;
    return course_run(&course, &(struct course_job){input, &request, report}, problem);
}

const struct measurement distortion_measurement = {
    .description =
        {
            .name = "distortion",
            .summary =
                "Level, distortion, noise, SINAD and equivalent bits of one steady tone",
            .stimulus = "one steady sine, 20 Hz or higher, at least 1 s",
            .settings = settings_table,
            .setting_count = DISTORTION_SETTINGS,
            .figures = distortion_tables_figures,
            .figure_count = DISTORTION_FIGURES,
            .findings = distortion_tables_findings,
            .finding_count = DISTORTION_FINDINGS,
            .lists = distortion_tables_lists,
            .list_count = DISTORTION_LISTS,
            .series = distortion_tables_series,
            .series_count = DISTORTION_SERIES,
        },
    .run = run,
};
