#include "analysis/measurements/tone_bands.h"

#include <math.h>
#include <stdlib.h>

enum { LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS };

static const double fundamental_share = 0.01; /* of its frequency, on each side */

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

void tone_bands_lay(struct tone_bands *bands, int length, double tone_bins,
                    int highest_order, double smear_bins)
{
    const struct bins whole = {0, length / 2};
    int count = 0;
    bands->built_for = tone_bins;
    bands->fundamental = bins_within(
        bins_around(tone_bins, fmax(LOBE, fundamental_share * tone_bins) + smear_bins),
        whole);
    bands->excluded[count++] = bands->fundamental;
    for (int k = 2; count < bands->capacity; k++) {
        double bins = k * tone_bins;
        if (bins > length / 2.0 && k > highest_order)
            break;
        bands->excluded[count++] = bins_within(
            bins_around(bins_folded(bins, length), LOBE + k * smear_bins), whole);
    }
    bands->excluded_count = bins_merge(bands->excluded, count);
}

struct harmonic_place tone_bands_harmonic(const struct tone_bands *bands, int length,
                                          double tone_bins, int order)
{
    double bins = order * tone_bins;
    struct harmonic_place place = {.bin = bins_folded(bins, length),
                                   .aliased = bins > length / 2.0};
    struct bins whole = {0, length / 2};
    place.lobe = bins_within(bins_lobe(place.bin), whole);
    place.separate =
        !bins_meet(place.lobe, bands->fundamental) && place.bin > LOBE; /* nor dc */
    for (int k = 2; k < order && place.separate; k++)
        place.separate =
            !bins_meet(place.lobe, bins_lobe(bins_folded(k * tone_bins, length)));
    return place;
}
