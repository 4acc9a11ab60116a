#include "analysis/measurements/tone_bands.h"

#include <math.h>
#include <stdlib.h>

enum { LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS };

static const double fundamental_share = 0.01; /* of its frequency, on each side */

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

static struct bins around(double bin, double half_width)
{
    int centre = (int)lround(bin), half = (int)ceil(half_width);
    return (struct bins){centre - half, centre + half};
}

struct bins bins_lobe(double bin)
{
    return around(bin, LOBE);
}

bool tone_bands_new(int length, double lowest_bins, int highest_order,
                    struct tone_bands *ret, struct problem *problem)
{
    int capacity = (int)(length / (2 * lowest_bins)) + highest_order + 4;
    struct bins *excluded = malloc((size_t)capacity * sizeof *excluded);
    if (!excluded)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for the places of %d harmonics.", capacity);
    *ret = (struct tone_bands){.excluded = excluded, .capacity = capacity};
    return true;
}

void tone_bands_free(struct tone_bands *bands)
{
    free(bands->excluded);
    bands->excluded = NULL;
}

static double folded(int length, double bins)
{
    double rest = fmod(bins, length);
    return rest > length / 2.0 ? length - rest : rest;
}

static int by_first(const void *a, const void *b)
{
    return ((const struct bins *)a)->first - ((const struct bins *)b)->first;
}

void tone_bands_lay(struct tone_bands *bands, int length, double tone_bins,
                    int highest_order, double smear_bins)
{
    const struct bins whole = {0, length / 2};
    int count = 0;
    bands->built_for = tone_bins;
    bands->fundamental = bins_within(
        around(tone_bins, fmax(LOBE, fundamental_share * tone_bins) + smear_bins), whole);
    bands->excluded[count++] = bands->fundamental;
    for (int k = 2; count < bands->capacity; k++) {
        double bins = k * tone_bins;
        if (bins > length / 2.0 && k > highest_order)
            break;
        bands->excluded[count++] =
            bins_within(around(folded(length, bins), LOBE + k * smear_bins), whole);
    }
    qsort(bands->excluded, (size_t)count, sizeof *bands->excluded, by_first);
    int kept = 0;
    for (int i = 1; i < count; i++) {
        struct bins *last = &bands->excluded[kept], next = bands->excluded[i];
        if (next.first > last->last + 1)
            bands->excluded[++kept] = next;
        else if (next.last > last->last)
            last->last = next.last;
    }
    bands->excluded_count = kept + 1;
}

struct harmonic_place tone_bands_harmonic(const struct tone_bands *bands, int length,
                                          double tone_bins, int order)
{
    double bins = order * tone_bins;
    struct harmonic_place place = {.bin = folded(length, bins),
                                   .aliased = bins > length / 2.0};
    struct bins whole = {0, length / 2};
    place.lobe = bins_within(bins_lobe(place.bin), whole);
    place.separate =
        !bins_meet(place.lobe, bands->fundamental) && place.bin > LOBE; /* nor dc */
    for (int k = 2; k < order && place.separate; k++)
        place.separate = !bins_meet(place.lobe, bins_lobe(folded(length, k * tone_bins)));
    return place;
}
