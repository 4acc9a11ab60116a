#include "analysis/measurements/distortion_lines.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/dsp/weighting.h"
#include "analysis/measurements/distortion_figures.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/mains.h"

enum { HIGHEST_FOLDED_ORDER = 1000, LISTED_LINES = 40 };

static const double place_bins = 1.5, exact_bins = 0.15;
static const double dust = 1e-17; /* −170 dBc: where the window's own side lobes lie */

struct naming {
    const struct distortion_channel *channel;
    int harmonics;
    double tone_bins, smear_bins;
    double
        strongest_harmonic; /* among the orders that can be named by their place alone */
};

static double distance(const struct naming *naming, int order, double bin)
{
    int length = naming->channel->plan.length;
    double rest = fmod(order * naming->tone_bins, length);
    return fabs((rest > length / 2.0 ? length - rest : rest) - bin);
}

static int order_by_place(const struct naming *naming, double bin)
{
    int order = (int)lround(bin / naming->tone_bins);
    if (order >= 2 &&
        distance(naming, order, bin) <= place_bins + order * naming->smear_bins)
        return order;
    for (int k = 2; k <= naming->harmonics; k++)
        if (distance(naming, k, bin) <= place_bins + k * naming->smear_bins)
            return k;
    return 0;
}

static int order_far_away(const struct naming *naming, const struct line *line)
{
    if (line->power > naming->strongest_harmonic)
        return 0;
    for (int k = naming->harmonics + 1; k <= HIGHEST_FOLDED_ORDER; k++)
        if (distance(naming, k, line->bin) <= exact_bins + k * naming->smear_bins)
            return k;
    return 0;
}

/* Folded harmonics of high order fall everywhere, so a stray line has a fair chance to
 * lie where one would. Beyond the first folding, up to twice the sample rate, they are
 * believed only in company: a device that makes them makes many. */
static void name_far_lines(const struct naming *naming, struct distortion_lines *lines)
{
    const int company = 3, looked_at = 20; /* of the strongest */
    int length = naming->channel->plan.length, unnamed = 0, found = 0;
    int *far = lines->far_orders;
    for (int i = 0; i < lines->list.count; i++) {
        if (lines->orders[i] > 0)
            continue;
        far[i] = order_far_away(naming, &lines->list.lines[i]);
        if (unnamed < looked_at) {
            unnamed++;
            found += far[i] > 0;
        }
    }
    bool many = found >= company && 2 * found >= unnamed;
    for (int i = 0; i < lines->list.count; i++) {
        const struct line *line = &lines->list.lines[i];
        if (lines->orders[i] > 0 || far[i] == 0 ||
            (!many && far[i] * naming->tone_bins > 2.0 * length))
            continue;
        double hz = line->bin * distortion_bin_hz(naming->channel);
        lines->orders[i] = far[i];
        lines->folded_power += line->power;
        lines->folded_power_a += line->power * weighting_a_power(hz);
    }
}

static void name_lines(struct naming *naming, struct distortion_lines *lines)
{
    for (int i = 0; i < lines->list.count; i++) {
        const struct line *line = &lines->list.lines[i];
        lines->orders[i] = order_by_place(naming, line->bin);
        if (lines->orders[i] > 0)
            naming->strongest_harmonic = fmax(naming->strongest_harmonic, line->power);
    }
    name_far_lines(naming, lines);
    for (int i = 0; i < lines->list.count; i++) {
        const struct line *line = &lines->list.lines[i];
        double hz = line->bin * distortion_bin_hz(naming->channel);
        if (lines->orders[i] == 0 && mains_is(hz))
            lines->has_mains = true;
        if (lines->orders[i] > naming->harmonics)
            lines->high_order_power += line->power;
    }
}

/* Largest bin power of the band that the intervals (ascending, disjoint) leave. */
static double highest_outside(const struct distortion_channel *channel,
                              const struct bins *hidden, int count)
{
    double highest = 0;
    int next = 0;
    for (int j = channel->band.first; j <= channel->band.last; j++) {
        while (next < count && hidden[next].last < j)
            next++;
        if (next == count || j < hidden[next].first)
            highest = fmax(highest, channel->spectrum.sum[j]);
    }
    return highest;
}

bool distortion_lines_find(const struct distortion_channel *channel,
                           const struct distortion_request *request,
                           const struct tone_bands *wide, struct distortion_lines *ret,
                           struct problem *problem)
{
    const struct tone_track *track = &channel->track;
    int length = channel->plan.length;
    struct naming naming = {
        .channel = channel,
        .harmonics = request->harmonics,
        .tone_bins = tone_track_result(track).cycles * length,
        .smear_bins = (track->maximum_cycles - track->minimum_cycles) / 2 * length,
    };
    struct line_search search = {channel->band, wide->fundamental,
                                 dust * moments_mean_x(&channel->fundamental)};
    struct distortion_lines made = {0};
    if (!lines_find(&channel->spectrum, &search, &made.list, problem))
        return false;
    made.orders = calloc((size_t)made.list.count + 1, sizeof *made.orders);
    made.far_orders = calloc((size_t)made.list.count + 1, sizeof *made.far_orders);
    if (!made.orders || !made.far_orders) {
        distortion_lines_free(&made);
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory to name %d lines.", made.list.count);
    }
    made.highest_bin = highest_outside(channel, &wide->fundamental, 1);
    made.highest_noise_bin =
        highest_outside(channel, wide->excluded, wide->excluded_count);
    name_lines(&naming, &made);
    *ret = made;
    return true;
}

bool distortion_lobe_is_mixed(const struct distortion_lines *lines, struct bins lobe,
                              double power)
{
    const double share = 0.002;
    double strangers = 0;
    for (int i = 0; i < lines->list.count; i++) {
        const struct line *line = &lines->list.lines[i];
        if (lines->orders[i] == 0 && bins_meet(bins_lobe(line->bin), lobe))
            strangers += line->power;
    }
    return strangers > share * power && power > 0;
}

void distortion_lines_free(struct distortion_lines *lines)
{
    lines_free(&lines->list);
    free(lines->orders);
    free(lines->far_orders);
    lines->orders = lines->far_orders = NULL;
}

static double line_u95_db(const struct distortion_channel *channel,
                          const struct line *line)
{
    return figures_line_u95_db(&channel->spectrum, line->peak);
}

static double hidden_line_dbc(const struct distortion_channel *channel,
                              double highest_bin, double fundamental)
{
    return decibel_from_power(
        figures_hidden_line(channel->window, highest_bin, channel->spectrum.segments) /
        fundamental);
}

static void report_spur(const struct distortion_channel *channel,
                        const struct distortion_lines *lines, double fundamental,
                        struct report *report, int c)
{
    for (int i = 0; i < lines->list.count; i++) {
        const struct line *line = &lines->list.lines[i];
        if (lines->orders[i] > 0)
            continue;
        report_value(report, c, FIGURE_WORST_SPUR_FREQUENCY,
                     line->bin * distortion_bin_hz(channel), NAN);
        report_value(report, c, FIGURE_WORST_SPUR_LEVEL,
                     decibel_from_power(line->power / fundamental),
                     line_u95_db(channel, line));
        return;
    }
    report_none(report, c, FIGURE_WORST_SPUR_FREQUENCY, REASON_BELOW_NOISE);
    report_bound(report, c, FIGURE_WORST_SPUR_LEVEL,
                 hidden_line_dbc(channel, lines->highest_noise_bin, fundamental));
}

void distortion_lines_report(const struct distortion_channel *channel,
                             const struct distortion_lines *lines, double fundamental,
                             struct report *report, int c)
{
    if (lines->list.count > 0)
        report_value(report, c, FIGURE_SFDR,
                     -decibel_from_power(lines->list.lines[0].power / fundamental),
                     line_u95_db(channel, &lines->list.lines[0]));
    else
        report_bound(report, c, FIGURE_SFDR,
                     -hidden_line_dbc(channel, lines->highest_bin, fundamental));
    report_spur(channel, lines, fundamental, report, c);
    int listed = 0;
    for (int i = 0; i < lines->list.count && listed < LISTED_LINES; i++) {
        const struct line *line = &lines->list.lines[i];
        if (lines->orders[i] > 0)
            continue;
        double hz = line->bin * distortion_bin_hz(channel);
        struct report_cell cells[] = {
            report_number(hz),
            report_number(decibel_from_power(line->power / fundamental)),
            report_number(line_u95_db(channel, line)),
            report_word(mains_is(hz) ? "mains" : "spur"),
        };
        report_row(report, c, LIST_LINES, cells);
        listed++;
    }
}
