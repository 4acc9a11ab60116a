#include "analysis/measurements/distortion_powers.h"

#include <math.h>

#include "analysis/dsp/weighting.h"

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

static struct powers_view view_of(const struct distortion_view *view)
{
    return (struct powers_view){&view->channel->spectrum, view->channel->window,
                                view->wide.excluded, view->wide.excluded_count};
}

static struct power lobe_noise(const struct distortion_view *view, struct bins lobe)
{
    struct powers_view around = view_of(view);
    return powers_under(&around, lobe, bins_width(lobe));
}

static struct power noise_under_tone(const struct distortion_view *view, double weight)
{
    struct powers_view around = view_of(view);
    return powers_under_tone(&around, view->nominal.fundamental, weight);
}

static struct power restored(const struct distortion_view *view, struct bins range,
                             const double *weights)
{
    struct powers_view around = view_of(view);
    struct powers_cut cut = {view->nominal.excluded, view->nominal.excluded_count,
                             view->nominal.fundamental};
    return powers_restored(&around, &cut, range, weights);
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
        powers_add(&noise, under);
    }
    powers->thd = powers_with(&channel->thd, powers_less(noise), 0);
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
                                const struct distortion_lines *lines,
                                enum mains_family family, bool *ret_complete)
{
    const struct distortion_channel *channel = view->channel;
    struct power noise = {0, 0};
    double touching = 0;
    *ret_complete = true;
    for (int m = 1; m <= MAINS_LINES; m++) {
        struct bins lobe = distortion_mains_lobe(channel, &view->nominal, family, m);
        double bin = mains_hz(family, m) / distortion_bin_hz(channel);
        struct bins centre = {(int)lround(bin), (int)lround(bin)};
        if (bins_width(lobe) > 0)
            powers_add(&noise, lobe_noise(view, lobe));
        else if (bin >= channel->band.first && bin <= channel->band.last)
            touching += touching_line(lines, bin);
        for (int i = 0; i < view->nominal.excluded_count; i++)
            if (bins_meet(centre, bins_within(view->nominal.excluded[i], channel->band)))
                *ret_complete = false;
    }
    return powers_with(&channel->mains[family], powers_less(noise), -touching);
}

static void gather_mains(const struct distortion_view *view,
                         const struct distortion_lines *lines,
                         struct distortion_powers *powers)
{
    bool complete50, complete60;
    struct power mains50 = mains_power(view, lines, MAINS_50, &complete50);
    struct power mains60 = mains_power(view, lines, MAINS_60, &complete60);
    powers->mains = mains50.mean >= mains60.mean ? mains50 : mains60;
    powers->mains_complete = complete50 && complete60;
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
        powers->residual = powers_without_leakage(powers->residual, leakage);
    powers->noise = powers_without_leakage(powers->noise, leakage);
    powers->noise_a = powers_without_leakage(powers->noise_a, a * leakage);
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
    powers->fundamental = powers_with(&channel->fundamental, powers_less(in_tone), 0);
    powers->total = powers_with(&channel->total, nothing, 0);
    powers->residual = powers_with(&channel->residual, in_band_of_tone, 0);
    /* Folded harmonics of high order are found as lines; they are harmonics, not noise.
     */
    powers->noise = powers_with(&channel->noise, restored(view, channel->band, NULL),
                                lines->folded_power);
    powers->noise_a =
        powers_with(&channel->noise_a, restored(view, channel->band, channel->a_weights),
                    lines->folded_power_a);
    powers->out_of_band = powers_with(&channel->out_of_band_noise,
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
    return powers_with(&view->channel->harmonic[order], powers_less(noise), 0);
}
