#include "analysis/dsp/spectrum.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/kernels.h"

enum { REACH_MAX = 256 };

double spectrum_peak_factor(const struct window *window)
{
    return window->enbw_bins;
}

double spectrum_sum(const double *powers, struct bins bins)
{
    return bins.last < bins.first
               ? 0
               : kernels_sum(powers + bins.first, bins.last - bins.first + 1);
}

bool spectrum_new(int length, int scatter_bins, struct spectrum *ret,
                  struct problem *problem)
{
    int bins = length / 2 + 1;
    struct spectrum made = {.bins = bins,
                            .scatter_bins = scatter_bins < bins ? scatter_bins : bins};
    /* The transform hands over runs of bins; one that begins below scatter_bins may end
     * beyond. */
    int room = fft_run_bins(length) + made.scatter_bins;
    made.sum = calloc((size_t)bins, sizeof *made.sum);
    made.sum_squares =
        calloc((size_t)(room < bins ? room : bins), sizeof *made.sum_squares);
    if (!made.sum || !made.sum_squares) {
        spectrum_free(&made);
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for a spectrum of %d bins.", bins);
    }
    *ret = made;
    return true;
}

void spectrum_free(struct spectrum *spectrum)
{
    free(spectrum->sum);
    free(spectrum->sum_squares);
    spectrum->sum = spectrum->sum_squares = NULL;
}

bool spectrum_take(struct fft_cache *cache, const struct window *window, double *buffer,
                   double *powers, struct spectrum *spectrum, struct problem *problem)
{
    struct kernels_powers to = {.scale = 2 / (window->length * window->sum_squares),
                                .powers = powers};
    if (spectrum) {
        to.scatter_bins = spectrum->scatter_bins;
        to.sum = spectrum->sum;
        to.sum_squares = spectrum->sum_squares;
    }
    if (!fft_forward(cache, window->length, buffer, &to, problem))
        return false;
    powers[0] /= 2; /* in the sums spectrum_finish does that */
    powers[window->length / 2] /= 2;
    if (spectrum)
        spectrum->segments++;
    return true;
}

void spectrum_finish(struct spectrum *spectrum)
{
    int last = spectrum->bins - 1;
    spectrum->sum[0] /= 2;
    spectrum->sum[last] /= 2;
    spectrum->sum_squares[0] /= 4;
    if (last < spectrum->scatter_bins)
        spectrum->sum_squares[last] /= 4;
    for (int j = 0; j < spectrum->bins; j++)
        spectrum->sum[j] /= spectrum->segments;
    for (int j = 0; j < spectrum->scatter_bins; j++)
        spectrum->sum_squares[j] /= spectrum->segments;
}

double spectrum_relative_u95(const struct spectrum *spectrum, int bin)
{
    assert(bin < spectrum->scatter_bins);
    int n = spectrum->segments;
    double mean = spectrum->sum[bin];
    if (n < 3 || mean <= 0)
        return NAN;
    double variance = fmax(spectrum->sum_squares[bin] - mean * mean, 0) / (n - 1);
    return statistics_student_975(n - 1) * sqrt(variance) / mean;
}

/* The interval that covers a bin, or NULL. Intervals ascend and are disjoint. */
static const struct bins *covering(const struct bins *intervals, int count, int bin)
{
    int low = 0, high = count;
    while (low < high) {
        int middle = (low + high) / 2;
        if (intervals[middle].last < bin)
            low = middle + 1;
        else
            high = middle;
    }
    return low < count && intervals[low].first <= bin ? &intervals[low] : NULL;
}

/* Collects bins from `from` to `to` (in either direction), past excluded ones. */
static int collect(const struct spectrum_surroundings *around, int from, int to,
                   double *values)
{
    int count = 0, most = around->reach < REACH_MAX ? around->reach : REACH_MAX;
    int step = to < from ? -1 : 1;
    for (int j = from; (to - j) * step >= 0 && count < most; j += step) {
        const struct bins *cover = covering(around->excluded, around->excluded_count, j);
        if (cover)
            j = step > 0 ? cover->last : cover->first;
        else
            values[count++] = around->mean_powers[j];
    }
    return count;
}

/* The bins beside an interval, left and right. At an end of the spectrum one side may
 * have too few bins to speak for itself; it is emptied then. */
struct sides {
    double left[REACH_MAX], right[REACH_MAX];
    int lefts, rights;
};

/* No farther than an octave, which matters near dc, where noise may rise steeply. */
static void collect_sides(const struct spectrum_surroundings *around,
                          struct bins interval, struct sides *sides)
{
    const int enough = 5;
    int few = around->reach / 4 < enough ? around->reach / 4 : enough;
    int lowest = interval.first / 2, highest = 2 * interval.last;
    if (highest > around->bin_count - 1)
        highest = around->bin_count - 1;
    *sides = (struct sides){.lefts = 0};
    if (interval.first - 1 >= lowest)
        sides->lefts = collect(around, interval.first - 1, lowest, sides->left);
    if (interval.last + 1 <= highest)
        sides->rights = collect(around, interval.last + 1, highest, sides->right);
    bool poor = sides->lefts < few || sides->rights < few;
    if (poor && sides->lefts > sides->rights)
        sides->rights = 0;
    else if (poor)
        sides->lefts = 0;
}

/* Between two sides: the geometric mean, right for a density that follows a power of the
 * frequency. One that is empty does not count. */
static double between(double low, double high)
{
    return low > 0 && high > 0 ? sqrt(low * high) : low + high;
}

struct density spectrum_density_beside(const struct spectrum_surroundings *surroundings,
                                       struct bins interval)
{
    struct sides sides;
    struct density low = {0, 1}, high = {0, 1};
    collect_sides(surroundings, interval, &sides);
    if (sides.lefts > 0)
        low = statistics_density(sides.left, sides.lefts);
    if (sides.rights > 0)
        high = statistics_density(sides.right, sides.rights);
    if (sides.lefts == 0 || sides.rights == 0)
        return sides.lefts > 0 ? low : high;
    return (struct density){between(low.mean, high.mean),
                            2 / (1 / low.averages + 1 / high.averages)};
}

double spectrum_mean_beside(const struct spectrum_surroundings *surroundings,
                            struct bins interval)
{
    struct sides sides;
    double low = 0, high = 0;
    collect_sides(surroundings, interval, &sides);
    if (sides.lefts > 0)
        low = statistics_mean_without_lines(sides.left, sides.lefts);
    if (sides.rights > 0)
        high = statistics_mean_without_lines(sides.right, sides.rights);
    return between(low, high);
}
