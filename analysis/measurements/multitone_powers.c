#include "analysis/measurements/multitone_powers.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/core/decibel.h"

static const double lost_db = 40;          /* below the median tone */
static const double dust = 1e-17;          /* of the total: the window's side lobes */
static const double leakage_share = 1e-14; /* of the tones: below, leakage matters */

/* What is no residual in the averaged spectrum: the tones on their way from one ratio to
 * another, and dc. */
struct hidden {
    struct bins intervals[MULTITONE_MAX_TONES + 1];
    int count;
};

static struct hidden hidden_of(const struct multitone_channel *channel)
{
    const struct tone_track *track = &channel->track;
    double place = channel->set.places[channel->set.tracked].cycles;
    struct hidden hidden;
    hidden.count = multitone_search_lobes(
        &channel->set, channel->plan.length, track->minimum_cycles / place,
        track->maximum_cycles / place, hidden.intervals);
    hidden.intervals[hidden.count++] =
        (struct bins){0, WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS};
    hidden.count = bins_merge(hidden.intervals, hidden.count);
    return hidden;
}

double multitone_powers_widening(const struct segment_plan *plan)
{
    /* Correlation of the amplitudes of one line or of noise in segments a quarter apart,
     * Σ w(n)·w(n + N/4) / Σ w². (Their powers' is its square.) Lines scatter by the
     * amplitude of the noise about them, so that this one holds for all. */
    const double correlation = 0.2572;
    double count = (double)plan->count;
    return plan->hop < plan->length / 2 ? sqrt(1 + 2 * correlation * (count - 1) / count)
                                        : 1;
}

static struct power widened(struct power power, double widening)
{
    return (struct power){power.mean, power.u95 * widening};
}

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return (left > right) - (left < right);
}

static double median_tone(const struct multitone_powers *powers, int count)
{
    double means[MULTITONE_MAX_TONES];
    int kept = 0;
    for (int i = 0; i < count; i++)
        if (powers->there[i])
            means[kept++] = powers->tone[i].mean;
    qsort(means, (size_t)kept, sizeof *means, ascending);
    return kept == 0 ? 0 : sqrt(means[(kept - 1) / 2] * means[kept / 2]);
}

static bool stands_out(const struct multitone_channel *channel, struct bins own,
                       double density)
{
    int looked_at = channel->set.count * bins_width(own);
    double threshold = statistics_line_threshold(channel->spectrum.segments, looked_at),
           peak = 0;
    for (int j = own.first; j <= own.last; j++)
        peak = fmax(peak, channel->spectrum.sum[j]);
    return peak > threshold * density;
}

static void gather_tones(const struct multitone_channel *channel,
                         const struct powers_view *view, struct multitone_powers *powers)
{
    double widening = multitone_powers_widening(&channel->plan);
    int count = channel->set.count;
    struct power under_all = {0, 0};
    for (int i = 0; i < count; i++) {
        struct bins own = multitone_pass_own(channel, i, powers->ratio);
        struct power under = powers_under(view, own, bins_width(own));
        powers_add(&under_all, under);
        powers->tone[i] =
            widened(powers_with(&channel->tone[i], powers_less(under), 0), widening);
        powers->there[i] = powers->tone[i].mean > 0 &&
                           stands_out(channel, own, under.mean / bins_width(own));
        powers->tones.mean += powers->tone[i].mean;
    }
    /* Tones of one device rise and fall together: their half-widths are not independent.
     */
    for (int i = 0; i < count; i++)
        powers->tones.u95 += powers->tone[i].u95;
    double median = median_tone(powers, count);
    for (int i = 0; i < count; i++) {
        if (powers->tone[i].mean < median * decibel_to_power(-lost_db))
            powers->there[i] = false;
        powers->there_count += powers->there[i];
    }
    powers->median_tone = median_tone(powers, count);
}

/* What the tones' own side lobes leak: −161 dB of each at the worst place between two
 * bins. */
static double leakage_of(const struct multitone_channel *channel,
                         const struct multitone_powers *powers)
{
    double leakage = 0;
    if (powers->residual.mean > leakage_share * powers->tones.mean)
        return 0;
    for (int i = 0; i < channel->set.count; i++) {
        double bin = channel->set.places[i].cycles * powers->ratio * channel->plan.length;
        leakage += window_leakage(channel->window->kind, bin - round(bin),
                                  WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS) *
                   fmax(powers->tone[i].mean, 0);
    }
    return leakage;
}

/* What the lobes hide of the band. What is wrong with it under one tone (a codec's noise
 * follows the tones) is wrong under all of them: half-widths add up. */
static struct power restored_of(const struct multitone_channel *channel,
                                const struct powers_view *view, double ratio)
{
    struct bins lobes[MULTITONE_MAX_TONES];
    struct power sum = {0, 0};
    int count =
        multitone_search_lobes(&channel->set, channel->plan.length, ratio, ratio, lobes);
    for (int i = 0; i < count; i++) {
        int width = bins_width(bins_within(lobes[i], channel->band));
        struct power under = powers_under_tone(view, lobes[i], width);
        sum.mean += under.mean;
        sum.u95 += under.u95;
    }
    return sum;
}

static void gather_residual(const struct multitone_channel *channel,
                            const struct powers_view *view,
                            struct multitone_powers *powers)
{
    double widening = multitone_powers_widening(&channel->plan);
    struct power restored = restored_of(channel, view, powers->ratio);
    powers->residual = widened(powers_with(&channel->residual, restored, 0), widening);
    powers->residual =
        powers_without_leakage(powers->residual, leakage_of(channel, powers));
    powers->total = powers->tones;
    powers_add(&powers->total, powers->residual);
    double factor = powers->residual.mean / powers->tones.mean;
    double half = moments_u95_of_difference(&channel->residual, factor) * widening;
    powers->residual_per_tones_u95 = hypot(half, restored.u95) / powers->tones.mean;
}

static bool make_residual_spectrum(const struct multitone_channel *channel,
                                   const struct powers_view *view,
                                   struct multitone_powers *powers,
                                   struct problem *problem)
{
    const struct spectrum *whole = &channel->spectrum;
    struct spectrum *left = &powers->residual_spectrum;
    *left = *whole;
    left->sum = malloc((size_t)whole->bins * sizeof *left->sum);
    if (!left->sum)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for a spectrum of %d bins.", whole->bins);
    memcpy(left->sum, whole->sum, (size_t)whole->bins * sizeof *left->sum);
    for (int i = 0; i < view->excluded_count; i++) {
        struct bins interval =
            bins_within(view->excluded[i], (struct bins){0, whole->bins - 1});
        double density = powers_under_tone(view, interval, 1).mean;
        for (int j = interval.first; j <= interval.last; j++)
            left->sum[j] = density;
    }
    return true;
}

bool multitone_powers_gather(const struct multitone_channel *channel,
                             struct multitone_powers *ret, struct problem *problem)
{
    struct hidden hidden = hidden_of(channel);
    struct powers_view view = {&channel->spectrum, channel->window, hidden.intervals,
                               hidden.count};
    *ret = (struct multitone_powers){
        .ratio = tone_track_result(&channel->track).cycles /
                 channel->set.places[channel->set.tracked].cycles};
    gather_tones(channel, &view, ret);
    gather_residual(channel, &view, ret);
    struct line_search search = {channel->band, {0, -1}, dust * ret->total.mean};
    return make_residual_spectrum(channel, &view, ret, problem) &&
           lines_find(&ret->residual_spectrum, &search, &ret->lines, problem);
}

void multitone_powers_free(struct multitone_powers *powers)
{
    free(powers->residual_spectrum.sum);
    powers->residual_spectrum.sum = NULL;
    lines_free(&powers->lines);
}
