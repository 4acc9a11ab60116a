#include "analysis/dsp/bins.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/window.h"

struct bins bins_within(struct bins bins, struct bins limits)
{
    return (struct bins){bins.first > limits.first ? bins.first : limits.first,
                         bins.last < limits.last ? bins.last : limits.last};
}

int bins_width(struct bins bins)
{
    return bins.last < bins.first ? 0 : bins.last - bins.first + 1;
}

bool bins_meet(struct bins a, struct bins b)
{
    return a.first <= b.last && b.first <= a.last;
}

struct bins bins_around(double bin, double half_width)
{
    int centre = (int)lround(bin), half = (int)ceil(half_width);
    return (struct bins){centre - half, centre + half};
}

struct bins bins_lobe(double bin)
{
    return bins_around(bin, WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS);
}

struct bins bins_of_band(double low_hz, double high_hz, double bin_hz, int length)
{
    struct bins whole = {1, length / 2};
    return bins_within(
        (struct bins){(int)ceil(low_hz / bin_hz), (int)floor(high_hz / bin_hz)}, whole);
}

static int by_first(const void *a, const void *b)
{
    return ((const struct bins *)a)->first - ((const struct bins *)b)->first;
}

int bins_merge(struct bins *intervals, int count)
{
    int last = -1;
    qsort(intervals, (size_t)count, sizeof *intervals, by_first);
    for (int i = 0; i < count; i++) {
        struct bins next = intervals[i];
        if (last < 0 || next.first > intervals[last].last + 1)
            intervals[++last] = next;
        else if (next.last > intervals[last].last)
            intervals[last].last = next.last;
    }
    return last + 1;
}

double bins_folded(double bins, int length)
{
    double rest = fmod(fabs(bins), length);
    return rest > length / 2.0 ? length - rest : rest;
}
