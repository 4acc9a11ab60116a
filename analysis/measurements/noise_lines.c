#include "analysis/measurements/noise_lines.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/noise_figures.h"

enum { LISTED_LINES = 40 };

static const double dust = 1e-17; /* of all power: where the window's side lobes lie */

/* Where a mains line may be; empty where it cannot be told. */
static struct bins mains_places(const struct noise_channel *channel,
                                enum mains_family family, int m)
{
    struct bins lobe = noise_mains_lobe(channel, family, m);
    if (bins_width(lobe) == 0)
        return lobe;
    const int half = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS - 1;
    return (struct bins){lobe.first + half, lobe.last - half};
}

/* Looks for the lines of a family; returns their power together. */
static double find_mains(const struct noise_channel *channel, enum mains_family family,
                         struct noise_lines *lines)
{
    int places = 0;
    double sum = 0;
    lines->family = family;
    lines->has_any_mains = false;
    for (int m = 1; m <= MAINS_LINES; m++)
        places += bins_width(mains_places(channel, family, m));
    double threshold =
        statistics_line_threshold(channel->spectrum.segments, places > 0 ? places : 1);
    for (int m = 1; m <= MAINS_LINES; m++) {
        struct bins range = mains_places(channel, family, m);
        bool *has = &lines->has_mains[m - 1];
        *has = bins_width(range) > 0 &&
               lines_at(&channel->spectrum, range, threshold, &lines->mains[m - 1]);
        lines->has_any_mains = lines->has_any_mains || *has;
        sum += *has ? lines->mains[m - 1].power : 0;
    }
    return sum;
}

static void choose_mains(const struct noise_channel *channel,
                         const struct noise_request *request, struct noise_lines *lines)
{
    struct noise_lines other = *lines;
    if (request->has_family) {
        find_mains(channel, request->family, lines);
        return;
    }
    if (find_mains(channel, MAINS_60, &other) > find_mains(channel, MAINS_50, lines))
        *lines = other;
}

static bool exclude_lines(const struct noise_channel *channel, struct noise_lines *lines,
                          struct problem *problem)
{
    size_t most = (size_t)lines->list.count + MAINS_LINES + 1;
    struct bins whole = {0, channel->plan.length / 2};
    int count = 0;
    lines->excluded = malloc(most * sizeof *lines->excluded);
    if (!lines->excluded)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for %d lines.", lines->list.count);
    if (channel->has_tone)
        lines->excluded[count++] = channel->tone;
    for (int i = 0; i < lines->list.count; i++)
        lines->excluded[count++] =
            bins_within(bins_lobe(lines->list.lines[i].bin), whole);
    for (int m = 0; m < MAINS_LINES; m++)
        if (lines->has_mains[m])
            lines->excluded[count++] = bins_within(bins_lobe(lines->mains[m].bin), whole);
    lines->excluded_count = bins_merge(lines->excluded, count);
    return true;
}

bool noise_lines_find(const struct noise_channel *channel,
                      const struct noise_request *request, struct noise_lines *ret,
                      struct problem *problem)
{
    double all = moments_mean_x(&channel->noise) + moments_mean_x(&channel->tone_power);
    struct line_search search = {channel->band, channel->tone, dust * all};
    struct noise_lines made = {.family = MAINS_50};
    if (!lines_find(&channel->spectrum, &search, &made.list, problem))
        return false;
    choose_mains(channel, request, &made);
    if (!exclude_lines(channel, &made, problem)) {
        noise_lines_free(&made);
        return false;
    }
    *ret = made;
    return true;
}

void noise_lines_free(struct noise_lines *lines)
{
    lines_free(&lines->list);
    free(lines->excluded);
    lines->excluded = NULL;
}

static bool is_listed_mains(const struct noise_lines *lines, const struct line *line)
{
    for (int m = 0; m < MAINS_LINES; m++)
        if (lines->has_mains[m] &&
            abs(lines->mains[m].peak - line->peak) <= WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS)
            return true;
    return false;
}

/* Within 1.5 bins of a multiple of the tone, folded ones up to the tenth. */
static const char *kind_of(const struct noise_channel *channel, const struct line *line)
{
    const double reach_bins = 1.5;
    const int highest_folded = 10;
    int length = channel->plan.length;
    double tone = channel->tone_hz / noise_bin_hz(channel);
    double order = channel->has_tone ? round(line->bin / tone) : 0;
    if (order >= 2 && fabs(line->bin - order * tone) <= reach_bins)
        return "harmonic";
    for (int k = 2; channel->has_tone && k <= highest_folded; k++)
        if (fabs(line->bin - bins_folded(k * tone, length)) <= reach_bins)
            return "harmonic";
    return mains_is(line->bin * noise_bin_hz(channel)) ? "mains" : "spur";
}

void noise_lines_report(const struct noise_channel *channel,
                        const struct noise_lines *lines, struct report *report, int c)
{
    double bin_hz = noise_bin_hz(channel);
    for (int m = 0; m < MAINS_LINES; m++) {
        const struct line *line = &lines->mains[m];
        if (!lines->has_mains[m])
            continue;
        struct report_cell cells[] = {
            report_number(line->bin * bin_hz),
            report_number(dbfs_from_mean_square(line->power)),
            report_number(figures_line_u95_db(&channel->spectrum, line->peak)),
            report_number(m + 1),
        };
        report_row(report, c, LIST_MAINS, cells);
    }
    for (int i = 0, listed = 0; i < lines->list.count && listed < LISTED_LINES; i++) {
        const struct line *line = &lines->list.lines[i];
        if (is_listed_mains(lines, line))
            continue;
        struct report_cell cells[] = {
            report_number(line->bin * bin_hz),
            report_number(dbfs_from_mean_square(line->power)),
            report_number(figures_line_u95_db(&channel->spectrum, line->peak)),
            report_word(kind_of(channel, line)),
        };
        report_row(report, c, LIST_LINES, cells);
        listed++;
    }
}
