#include "analysis/measurements/distortion_powers.h"

#include <math.h>

#include "analysis/dsp/weighting.h"

enum { SIDE_BINS = 48 }; /* on each side, for the density beside an interval */

bool distortion_view_new(const struct distortion_channel *channel,
                         const struct distortion_request *request,
                         struct distortion_view *ret, struct problem *problem)
{
    int length = channel->plan.length;
    double tone_bins = tone_track_result(&channel->track).cycles * length;
    double smear =
        (channel->track.maximum_cycles - channel->track.minimum_cycles) / 2 * length;
    *ret = (struct distortion_view){
        .channel = channel, .request = request, .tone_bins = tone_bins};
    int lobe_bins = 2 * WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS + 1;
    ret->line_threshold = statistics_line_threshold(channel->spectrum.segments,
                                                    lobe_bins * (request->harmonics - 1));
    if (!tone_bands_new(length, 0.9 * tone_bins, request->harmonics, &ret->nominal,
                        problem) ||
        !tone_bands_new(length, 0.9 * tone_bins, request->harmonics, &ret->wide, problem))
        return false;
    tone_bands_lay(&ret->nominal, length, tone_bins, request->harmonics, 0);
    tone_bands_lay(&ret->wide, length, tone_bins, request->harmonics, smear);
    return true;
}

void distortion_view_free(struct distortion_view *view)
{
    tone_bands_free(&view->nominal);
    tone_bands_free(&view->wide);
}

static struct spectrum_surroundings surroundings(const struct distortion_view *view)
{
    const struct spectrum *spectrum = &view->channel->spectrum;
    return (struct spectrum_surroundings){spectrum->sum, spectrum->bins,
                                          view->wide.excluded, view->wide.excluded_count,
                                          SIDE_BINS};
}

/* Noise power of an interval that something else covers, as its neighbours tell it. */
static struct power noise_under(const struct distortion_view *view, struct bins interval,
                                double weight)
{
    struct spectrum_surroundings around = surroundings(view);
    struct density density = spectrum_density_beside(&around, interval);
    double averages = fmin(density.averages, view->channel->spectrum.segments);
    /* A median is 1.57 times as scattered as a mean, and a bin of the window is worth
     * 1/2.63 of an independent one. */
    double relative =
        2 * sqrt(1.57 * view->channel->window->enbw_bins / (2 * SIDE_BINS * averages));
    double mean = density.mean * weight;
    return (struct power){mean, mean * relative};
}

/* The same beside the fundamental, where jitter, hum or a codec make a steep pedestal. */
static struct power noise_under_tone(const struct distortion_view *view, double weight)
{
    struct spectrum_surroundings around = surroundings(view);
    struct power noise = noise_under(view, view->nominal.fundamental, weight);
    double mean = weight * spectrum_mean_beside(&around, view->nominal.fundamental);
    return (struct power){mean, fmax(noise.u95, fabs(mean - noise.mean))};
}

static struct power lobe_noise(const struct distortion_view *view, struct bins lobe)
{
    return noise_under(view, lobe, bins_width(lobe));
}

static void add(struct power *sum, struct power more)
{
    sum->mean += more.mean;
    sum->u95 = hypot(sum->u95, more.u95);
}

/* What the excluded intervals of `range` would hold if only noise were there; with the
 * band's weights where given. */
static struct power restored(const struct distortion_view *view, struct bins range,
                             const double *weights)
{
    struct power sum = {0, 0};
    for (int i = 0; i < view->nominal.excluded_count; i++) {
        struct bins part = bins_within(view->nominal.excluded[i], range);
        double weight = bins_width(part);
        if (bins_width(part) == 0)
            continue;
        if (weights) {
            weight = 0;
            for (int j = part.first; j <= part.last; j++)
                weight += weights[j - range.first];
        }
        bool tone = bins_meet(part, view->nominal.fundamental);
        add(&sum,
            tone ? noise_under_tone(view, weight) : noise_under(view, part, weight));
    }
    return sum;
}

/* A mean power with noise restored that its intervals left out (or, negative, taken away
 * that they held), and lines removed that turned out not to belong to it. */
static struct power with_noise(const struct moments *moments, struct power noise,
                               double lines)
{
    double mean = moments_mean_x(moments), u95 = moments_u95(moments);
    double scale = mean > 0 ? (mean + noise.mean) / mean : 1;
    return (struct power){mean + noise.mean - lines, hypot(u95 * scale, noise.u95)};
}

static struct power less(struct power noise)
{
    return (struct power){-noise.mean, noise.u95};
}

static double ratio_u95(const struct moments *moments, double numerator,
                        double fundamental, double more)
{
    double factor = numerator / fundamental;
    return hypot(moments_u95_of_difference(moments, factor), more) / fundamental;
}

bool distortion_stands_out(const struct distortion_view *view, struct bins lobe,
                           double density)
{
    double peak = 0;
    for (int j = lobe.first; j <= lobe.last; j++)
        peak = fmax(peak, view->channel->spectrum.sum[j]);
    return peak > view->line_threshold * density;
}

static void thd_power(const struct distortion_view *view,
                      const struct distortion_lines *lines,
                      struct distortion_powers *powers)
{
    const struct distortion_channel *channel = view->channel;
    struct power noise = {0, 0};
    for (int k = 2; k <= view->request->harmonics; k++) {
        struct harmonic_place place =
            tone_bands_harmonic(&view->nominal, channel->plan.length, view->tone_bins, k);
        if (!distortion_counts_in_thd(channel, &place))
            continue;
        struct power under = lobe_noise(view, place.lobe);
        powers->has_harmonics_in_band = true;
        powers->thd_stands_out =
            powers->thd_stands_out ||
            distortion_stands_out(view, place.lobe, under.mean / bins_width(place.lobe));
        add(&noise, under);
    }
    powers->thd = with_noise(&channel->thd, less(noise), 0);
    powers->thd_noise = noise.mean;
    powers->thd_per_fundamental_u95 =
        ratio_u95(&channel->thd, powers->thd.mean, powers->fundamental.mean, noise.u95);
    for (int k = 2; k <= view->request->harmonics; k++) {
        struct harmonic_place place =
            tone_bands_harmonic(&view->nominal, channel->plan.length, view->tone_bins, k);
        if (distortion_counts_in_thd(channel, &place) &&
            distortion_lobe_is_mixed(lines, place.lobe, powers->thd.mean))
            powers->thd_mixed = true;
    }
}

/* Power of the listed mains line whose lobe touches a harmonic's, 0 when none stands out.
 */
static double touching_line(const struct distortion_lines *lines, double bin)
{
    const double reach_bins = 2;
    for (int i = 0; i < lines->list.count; i++)
        if (lines->orders[i] == 0 && fabs(lines->list.lines[i].bin - bin) < reach_bins)
            return lines->list.lines[i].power;
    return 0;
}

static struct power mains_power(const struct distortion_view *view,
                                const struct distortion_lines *lines, int family,
                                bool *ret_complete)
{
    const struct distortion_channel *channel = view->channel;
    struct power noise = {0, 0};
    double touching = 0;
    *ret_complete = true;
    for (int m = 1; m <= DISTORTION_MAINS_LINES; m++) {
        struct bins lobe = distortion_mains_lobe(channel, &view->nominal, family, m);
        double bin = m * (family ? 60 : 50) / distortion_bin_hz(channel);
        struct bins centre = {(int)lround(bin), (int)lround(bin)};
        if (bins_width(lobe) > 0)
            add(&noise, lobe_noise(view, lobe));
        else if (bin >= channel->band.first && bin <= channel->band.last)
            touching += touching_line(lines, bin);
        for (int i = 0; i < view->nominal.excluded_count; i++)
            if (bins_meet(centre, bins_within(view->nominal.excluded[i], channel->band)))
                *ret_complete = false;
    }
    return with_noise(&channel->mains[family], less(noise), -touching);
}

static void gather_mains(const struct distortion_view *view,
                         const struct distortion_lines *lines,
                         struct distortion_powers *powers)
{
    bool complete50, complete60;
    struct power mains50 = mains_power(view, lines, 0, &complete50);
    struct power mains60 = mains_power(view, lines, 1, &complete60);
    powers->mains = mains50.mean >= mains60.mean ? mains50 : mains60;
    powers->mains_complete = complete50 && complete60;
}

/* Takes away what the fundamental's own side lobes leak, −161 dB of it at the worst place
 * between two bins. Of a residual that is hardly more than that nothing is taken: it
 * reads as this floor, never as less. */
static struct power without_leakage(struct power power, double leakage)
{
    const double uncertain = 0.1; /* of the leakage */
    if (power.mean <= 2 * leakage)
        return power;
    return (struct power){power.mean - leakage, hypot(power.u95, uncertain * leakage)};
}

static void take_leakage_away(const struct distortion_view *view,
                              struct distortion_powers *powers)
{
    struct bins tone = view->nominal.fundamental;
    double centre = round(view->tone_bins);
    double share = window_leakage(view->channel->window->kind, view->tone_bins - centre,
                                  tone.last - (int)centre);
    double leakage = share * powers->fundamental.mean;
    double a = weighting_a_power(view->tone_bins * distortion_bin_hz(view->channel));
    if (!view->channel->notch_weights)
        powers->residual = without_leakage(powers->residual, leakage);
    powers->noise = without_leakage(powers->noise, leakage);
    powers->noise_a = without_leakage(powers->noise_a, a * leakage);
}

void distortion_powers_gather(const struct distortion_view *view,
                              const struct distortion_lines *lines,
                              struct distortion_powers *powers)
{
    const struct distortion_channel *channel = view->channel;
    const struct power nothing = {0, 0};
    struct bins tone = view->nominal.fundamental;
    struct power in_tone = noise_under_tone(view, bins_width(tone));
    struct power in_band_of_tone = nothing;
    if (!channel->notch_weights) /* a notch leaves nothing there */
        in_band_of_tone =
            noise_under_tone(view, bins_width(bins_within(tone, channel->band)));
    powers->fundamental = with_noise(&channel->fundamental, less(in_tone), 0);
    powers->total = with_noise(&channel->total, nothing, 0);
    powers->residual = with_noise(&channel->residual, in_band_of_tone, 0);
    /* Folded harmonics of high order are found as lines; they are harmonics, not noise.
     */
    powers->noise = with_noise(&channel->noise, restored(view, channel->band, NULL),
                               lines->folded_power);
    powers->noise_a =
        with_noise(&channel->noise_a, restored(view, channel->band, channel->a_weights),
                   lines->folded_power_a);
    powers->out_of_band = with_noise(&channel->out_of_band_noise,
                                     restored(view, channel->out_of_band, NULL), 0);
    take_leakage_away(view, powers);
    powers->residual_per_fundamental_u95 =
        ratio_u95(&channel->residual, powers->residual.mean, powers->fundamental.mean,
                  in_band_of_tone.u95);
    powers->noise_per_fundamental_u95 =
        hypot(powers->noise.u95,
              powers->fundamental.u95 * powers->noise.mean / powers->fundamental.mean) /
        powers->fundamental.mean;
    thd_power(view, lines, powers);
    gather_mains(view, lines, powers);
    powers->has_mains = lines->has_mains;
    powers->correlated = lines->high_order_power;
}

struct power distortion_harmonic_power(const struct distortion_view *view,
                                       const struct harmonic_place *place, int order,
                                       double *ret_density)
{
    struct power noise = lobe_noise(view, place->lobe);
    *ret_density = noise.mean / bins_width(place->lobe);
    return with_noise(&view->channel->harmonic[order], less(noise), 0);
}
