#include "analysis/measurements/powers.h"

#include <math.h>

#include "analysis/dsp/kernels.h"

enum { SIDE_BINS = 48 }; /* on each side, for the density beside an interval */

void powers_add(struct power *sum, struct power more)
{
    sum->mean += more.mean;
    sum->u95 = hypot(sum->u95, more.u95);
}

struct power powers_less(struct power power)
{
    return (struct power){-power.mean, power.u95};
}

struct power powers_with(const struct moments *moments, struct power noise, double lines)
{
    double mean = moments_mean_x(moments), u95 = moments_u95(moments);
    double scale = mean > 0 && noise.mean > 0 ? (mean + noise.mean) / mean : 1;
    return (struct power){mean + noise.mean - lines, hypot(u95 * scale, noise.u95)};
}

struct power powers_without_leakage(struct power power, double leakage)
{
    const double uncertain = 0.1; /* of the leakage */
    if (power.mean <= 2 * leakage)
        return power;
    return (struct power){power.mean - leakage, hypot(power.u95, uncertain * leakage)};
}

static double sum_of(const double *powers, const double *weights, struct bins range,
                     struct bins part)
{
    if (!weights)
        return spectrum_sum(powers, part);
    return bins_width(part) == 0
               ? 0
               : kernels_weighted_sum(powers + part.first,
                                      weights + part.first - range.first,
                                      bins_width(part));
}

double powers_sum_outside(const double *powers, const struct bins *excluded, int count,
                          struct bins range, const double *weights)
{
    double sum = 0;
    int from = range.first;
    for (int i = 0; i < count; i++) {
        struct bins hidden = bins_within(excluded[i], range);
        if (bins_width(hidden) == 0)
            continue;
        sum += sum_of(powers, weights, range, (struct bins){from, hidden.first - 1});
        from = hidden.last + 1;
    }
    return sum + sum_of(powers, weights, range, (struct bins){from, range.last});
}

static struct spectrum_surroundings surroundings(const struct powers_view *view)
{
    return (struct spectrum_surroundings){view->spectrum->sum, view->spectrum->bins,
                                          view->excluded, view->excluded_count,
                                          SIDE_BINS};
}

struct power powers_under(const struct powers_view *view, struct bins interval,
                          double weight)
{
    struct spectrum_surroundings around = surroundings(view);
    struct density density = spectrum_density_beside(&around, interval);
    double averages = fmin(density.averages, view->spectrum->segments);
    double relative =
        2 * sqrt(1.57 * view->window->correlated_bins / (2 * SIDE_BINS * averages));
    double mean = density.mean * weight;
    return (struct power){mean, mean * relative};
}

struct power powers_under_tone(const struct powers_view *view, struct bins interval,
                               double weight)
{
    struct spectrum_surroundings around = surroundings(view);
    struct power noise = powers_under(view, interval, weight);
    double mean = weight * spectrum_mean_beside(&around, interval);
    return (struct power){mean, fmax(noise.u95, fabs(mean - noise.mean))};
}

struct power powers_restored(const struct powers_view *view, const struct powers_cut *cut,
                             struct bins range, const double *weights)
{
    struct power sum = {0, 0};
    for (int i = 0; i < cut->count; i++) {
        struct bins part = bins_within(cut->intervals[i], range);
        double weight = bins_width(part);
        if (bins_width(part) == 0)
            continue;
        if (weights) {
            weight = 0;
            for (int j = part.first; j <= part.last; j++)
                weight += weights[j - range.first];
        }
        bool tone = bins_width(cut->tone) > 0 && bins_meet(part, cut->tone);
        powers_add(&sum, tone ? powers_under_tone(view, cut->tone, weight)
                              : powers_under(view, part, weight));
    }
    return sum;
}
