#include "analysis/dsp/lines.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/statistics.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    SIDE_BINS = 32, /* bins of one side whose median is the local density */
    LINES_MAX = 4096,
};

double lines_interpolate(const double *powers, int peak)
{
    double below = powers[peak - 1], at = powers[peak], above = powers[peak + 1];
    if (below <= 0 || at <= 0 || above <= 0)
        return peak;
    double a = log(below), b = log(at), c = log(above);
    double curvature = a - 2 * b + c;
    return curvature < 0 ? peak + 0.5 * (a - c) / curvature : peak;
}

static double side_density(const double *powers, int from, int to, int bin_count)
{
    double values[SIDE_BINS];
    int count = 0;
    for (int j = from; j <= to && count < SIDE_BINS; j++)
        if (j >= 1 && j < bin_count)
            values[count++] = powers[j];
    return count >= SIDE_BINS / 4 ? statistics_density(values, count).mean : 0;
}

static double density_around(const struct spectrum *spectrum, int peak)
{
    double low = side_density(spectrum->sum, peak - LOBE - SIDE_BINS, peak - LOBE - 1,
                              spectrum->bins);
    double high = side_density(spectrum->sum, peak + LOBE + 1, peak + LOBE + SIDE_BINS,
                               spectrum->bins);
    return fmax(low, high);
}

/* Cheap first look, exact: where most of a side's bins times the threshold reach the
 * peak, so does their median, and the density is never less than that. */
static bool side_hides(const double *powers, int from, int to, int bin_count, int peak,
                       double threshold)
{
    int first = from < 1 ? 1 : from, last = to < bin_count ? to : bin_count - 1, hits = 0;
    for (int j = first; j <= last; j++)
        hits += threshold * powers[j] >= powers[peak];
    return last - first + 1 >= SIDE_BINS / 4 && hits > (last - first + 1) / 2;
}

bool lines_at(const struct spectrum *spectrum, struct bins range, double threshold,
              struct line *ret)
{
    const double *p = spectrum->sum;
    int first = range.first < 1 ? 1 : range.first, peak = first;
    int last = range.last > spectrum->bins - 2 ? spectrum->bins - 2 : range.last;
    for (int j = first; j <= last; j++)
        if (p[j] > p[peak])
            peak = j;
    if (last < first || p[peak] < p[peak - 1] || p[peak] <= p[peak + 1])
        return false;
    struct line line = {.peak = peak, .density = density_around(spectrum, peak)};
    if (!(p[peak] > threshold * line.density))
        return false;
    for (int j = peak - LOBE; j <= peak + LOBE; j++)
        if (j >= 0 && j < spectrum->bins)
            line.power += p[j] - line.density;
    line.bin = lines_interpolate(p, peak);
    *ret = line;
    return line.power > 0;
}

static bool is_hidden(const struct line_search *search, int bin)
{
    return bin >= search->hidden.first && bin <= search->hidden.last;
}

static int by_power(const void *a, const void *b)
{
    const struct line *left = a, *right = b;
    if (left->power != right->power)
        return left->power < right->power ? 1 : -1;
    return left->peak - right->peak;
}

/* All local maxima above the threshold; `power` is the peak bin's for now. */
static int candidates(const struct spectrum *spectrum, const struct line_search *search,
                      struct line *found, int capacity)
{
    const double *p = spectrum->sum;
    int count = 0, last = search->range.last;
    double threshold =
        statistics_line_threshold(spectrum->segments, last - search->range.first + 1.0);
    if (last > spectrum->bins - 2)
        last = spectrum->bins - 2;
    for (int j = search->range.first < 1 ? 1 : search->range.first; j <= last; j++) {
        if (p[j] < p[j - 1] || p[j] <= p[j + 1] || p[j] < search->floor ||
            is_hidden(search, j))
            continue;
        /* Cheap first look: a line stands out of its own surroundings at least twofold.
         */
        int beside = j + LOBE + 1 < spectrum->bins ? j + LOBE + 1 : j - LOBE - 1;
        if (beside >= 0 && p[j] < p[beside] && p[j] < p[j > LOBE ? j - LOBE - 1 : beside])
            continue;
        if (side_hides(p, j - LOBE - SIDE_BINS, j - LOBE - 1, spectrum->bins, j,
                       threshold) ||
            side_hides(p, j + LOBE + 1, j + LOBE + SIDE_BINS, spectrum->bins, j,
                       threshold))
            continue;
        double density = density_around(spectrum, j);
        if (p[j] > threshold * density && count < capacity)
            found[count++] = (struct line){.peak = j, .power = p[j], .density = density};
    }
    return count;
}

/* Keeps the strongest of overlapping candidates and sums up their lobes. */
static int resolve(const struct spectrum *spectrum, const struct line_search *search,
                   struct line *found, int count, bool *taken)
{
    int kept = 0;
    for (int i = 0; i < count && kept < LINES_MAX; i++) {
        struct line line = found[i];
        if (taken[line.peak])
            continue;
        double power = 0;
        for (int j = line.peak - LOBE; j <= line.peak + LOBE; j++) {
            if (j < 0 || j >= spectrum->bins || taken[j] || is_hidden(search, j))
                continue;
            power += spectrum->sum[j] - line.density;
        }
        for (int j = line.peak - LOBE; j <= line.peak + LOBE; j++)
            if (j >= 0 && j < spectrum->bins)
                taken[j] = true;
        line.bin = lines_interpolate(spectrum->sum, line.peak);
        line.power = power;
        if (power > 0)
            found[kept++] = line;
    }
    return kept;
}

bool lines_find(const struct spectrum *spectrum, const struct line_search *search,
                struct line_list *ret, struct problem *problem)
{
    int capacity = spectrum->bins / 2 + 1;
    bool done = false;
    struct line *found = malloc((size_t)capacity * sizeof *found);
    bool *taken = calloc((size_t)spectrum->bins, sizeof *taken);
    if (!found || !taken) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL, "No memory to list %d lines.",
                    capacity);
        goto out;
    }
    int count = candidates(spectrum, search, found, capacity);
    qsort(found, (size_t)count, sizeof *found, by_power);
    count = resolve(spectrum, search, found, count, taken);
    qsort(found, (size_t)count, sizeof *found, by_power);
    *ret = (struct line_list){found, count};
    found = NULL;
    done = true;
out:
    free(found);
    free(taken);
    return done;
}

void lines_free(struct line_list *list)
{
    free(list->lines);
    *list = (struct line_list){NULL, 0};
}
