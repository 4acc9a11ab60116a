#include "analysis/measurements/multitone.h"

#include <math.h>

#include "analysis/measurements/multitone_figures.h"
#include "analysis/measurements/multitone_tables.h"
#include "analysis/measurements/figures.h"

static const struct setting_description settings_table[SETTING_COMMON_COUNT] = {
    MEASUREMENT_COMMON_SETTINGS,
};

static bool read_told(const struct settings *played, struct multitone_request *request,
                      struct problem *problem)
{
    struct multitone_tone tones[MULTITONE_MAX_TONES];
    struct problem found = {0};
    double rate = signal_form(played).sample_rate_hz;
    request->told_count = multitone_tones(played, tones, &found);
    for (int i = 0; i < request->told_count; i++)
        request->told_hz[i] =
            (double)tones[i].cycles / (double)tones[i].period_frames * rate;
    return request->told_count > 0 ||
           problem_set(problem, found.kind, "signal",
                       "The signal told cannot have been played. %s", found.detail);
}

static bool read_request(const struct measurement_input *input,
                         struct multitone_request *ret, struct problem *problem)
{
    const struct setting_value *values = input->settings->values;
    *ret =
        (struct multitone_request){.band_hz = {values[SETTING_COMMON_BAND_HZ].range[0],
                                               values[SETTING_COMMON_BAND_HZ].range[1]}};
    return input->signal != &multitone_signal || read_told(input->played, ret, problem);
}

static int told_in_band(const struct multitone_request *request, double highest_hz)
{
    int count = 0;
    for (int i = 0; i < request->told_count; i++)
        count += request->told_hz[i] < highest_hz &&
                 multitone_search_in_band(request->told_hz[i], request->band_hz, 0);
    return count;
}

static bool check_told(const struct multitone_request *request, int sample_rate_hz,
                       struct problem *problem)
{
    return request->told_count == 0 || told_in_band(request, sample_rate_hz / 2.0) > 0 ||
           problem_set(problem, PROBLEM_OUT_OF_RANGE, "band_hz",
                       "None of the signal's tones, %g to %g Hz, lies within band_hz, %g "
                       "to %g Hz, and below half the sample rate; widen the band.",
                       request->told_hz[0], request->told_hz[request->told_count - 1],
                       request->band_hz[0], request->band_hz[1]);
}

static bool is_too_short(const struct multitone_channel *channels, int count,
                         double *ret_longest_s)
{
    bool brief = true;
    *ret_longest_s = 0;
    for (int i = 0; i < count; i++) {
        if (channels[i].reason == REASON_DIGITAL_SILENCE)
            continue;
        brief = brief && channels[i].reason == REASON_NOT_ENOUGH_DATA;
        *ret_longest_s = fmax(*ret_longest_s, (double)channels[i].span.frames /
                                                  channels[i].sample_rate_hz);
    }
    return brief;
}

/* No channel has tones: why, as the one tells that came nearest. */
static bool nothing_to_measure(const struct multitone_channel *channels, int count,
                               const struct multitone_request *request,
                               struct problem *problem)
{
    const struct multitone_set *best = &channels[0].set;
    double longest_s, rate = channels[0].sample_rate_hz;
    bool silent = true;
    for (int i = 0; i < count; i++) {
        const struct multitone_set *set = &channels[i].set;
        silent = silent && channels[i].reason == REASON_DIGITAL_SILENCE;
        if (set->gap_db > best->gap_db || set->found > best->found)
            best = set;
    }
    if (silent)
        return true; /* answered with figures that say digital_silence */
    if (is_too_short(channels, count, &longest_s))
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "The longest part with a steady level lasts %.3f s; to tell low tones apart "
            "%.3f s are needed. Record 10 s or more of the multitone.",
            longest_s, multitone_pass_length(INT64_MAX, (int)rate, INFINITY) / rate);
    if (request->told_count > 0)
        return problem_set(
            problem, PROBLEM_WRONG_SIGNAL, NULL,
            "Of the %d tones of the signal told, %d stand in the recording where it has "
            "them, fewer than half. Tell the signal that was played, with its "
            "sample_rate_hz and all other parameters, or none.",
            told_in_band(request, rate / 2), best->found);
    if (best->found == 1)
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "One tone stands above all else from %g to %g Hz, not many. Play the signal "
            "multitone, or measure distortion.",
            request->band_hz[0], request->band_hz[1]);
    return problem_set(
        problem, PROBLEM_NOT_MEASURABLE, NULL,
        "No set of tones stands clear of all else from %g to %g Hz: the widest step in "
        "level below the strongest lines is %.1f dB, and 10 dB are needed. Play the "
        "signal multitone, and tell it with the analysis as signal.",
        request->band_hz[0], request->band_hz[1], best->gap_db);
}

/* Whether most tones have in all segments what they have in one: not those of music or a
 * sweep. What stands in half of the segments scatters by its own mean; noise in a lobe,
 * as where a tone told is lost, by 0.42 of it. */
static bool tones_stay(const struct multitone_channel *channel)
{
    const double most = 0.7;
    int stay = 0;
    for (int i = 0; i < channel->set.count; i++) {
        const struct moments *power = &channel->tone[i];
        double scatter = power->count < 3 ? 0
                                          : moments_u95(power) * sqrt(power->count) /
                                                statistics_student_975(power->count - 1);
        stay += scatter <= most * moments_mean_x(power);
    }
    return 2 * stay > channel->set.count;
}

static bool drop_unsteady(struct multitone_channel *channels, int count,
                          struct problem *problem)
{
    bool any = false, dropped = false;
    for (int c = 0; c < count; c++) {
        struct multitone_channel *channel = &channels[c];
        if (!channel->has_tones)
            continue;
        if (!tones_stay(channel)) {
            channel->has_tones = false;
            channel->reason = REASON_NOT_DETERMINABLE;
            dropped = true;
        }
        any = any || channel->has_tones;
    }
    return any || !dropped ||
           problem_set(
               problem, PROBLEM_NOT_MEASURABLE, NULL,
               "The tones that the recording begins with do not stay: the level of "
               "most of them changes as much as it amounts to. Play the signal "
               "multitone, or choose a part with start_s and duration_s.");
}

static bool report_channels(const struct multitone_channel *channels, int count,
                            const struct multitone_request *request,
                            struct report *report, struct problem *problem)
{
    for (int c = 0; c < count; c++) {
        const struct multitone_channel *channel = &channels[c];
        if (!channel->has_tones) {
            report_none_all(report, c, channel->reason);
            continue;
        }
        figures_span(report, c, &channel->plan, channel->sample_rate_hz);
        if (!multitone_figures(channel, request, report, c, problem))
            return false;
    }
    return true;
}

static bool report_all(const struct course_job *job, void *channels, int count, bool any,
                       struct problem *problem)
{
    return (any || nothing_to_measure(channels, count, job->request, problem)) &&
           drop_unsteady(channels, count, problem) &&
           report_channels(channels, count, job->request, job->report, problem);
}

static bool run(const struct measurement_input *input, struct report *report,
                struct problem *problem)
{
    static const struct course course = {sizeof(struct multitone_channel),
                                         SPANS_SLOWLY_STEADY,
                                         multitone_pass_prepare,
                                         multitone_pass_run,
                                         report_all,
                                         multitone_channel_free};
    struct multitone_request request;
    int rate = capture_format(input->capture)->sample_rate_hz;
    if (!spans_check_band(input->settings, rate, problem) ||
        !read_request(input, &request, problem) || !check_told(&request, rate, problem))
        return false;
    return course_run(&course, &(struct course_job){input, &request, report}, problem);
}

const struct measurement multitone_measurement = {
    .description =
        {
            .name = "multitone",
            .summary = "Level of many tones at once, and all that is none of them",
            .stimulus = "the signal multitone, or any set of steady tones of much the "
                        "same level, at least 10 s",
            .settings = settings_table,
            .setting_count = SETTING_COMMON_COUNT,
            .figures = multitone_tables_figures,
            .figure_count = MULTITONE_FIGURES,
            .lists = multitone_tables_lists,
            .list_count = MULTITONE_LISTS,
            .series = multitone_tables_series,
            .series_count = MULTITONE_SERIES,
        },
    .run = run,
};
