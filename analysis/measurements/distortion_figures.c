#include "analysis/measurements/distortion_figures.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/distortion_lines.h"

enum { SIDE_BINS = 48 }; /* on each side, for the density beside an interval */

struct view {
    const struct distortion_channel *channel;
    const struct distortion_request *request;
    struct tone_bands nominal; /* as each segment was cut */
    struct tone_bands wide;    /* what the average must not take for noise */
    double tone_bins;
};

static double hypotenuse(double a, double b)
{
    return sqrt(a * a + b * b);
}

/* Noise power of an interval that something else covers, as its neighbours tell it. */
static struct power noise_under(const struct view *view, struct bins interval,
                                double weight)
{
    const struct spectrum *spectrum = &view->channel->spectrum;
    struct density density = spectrum_density_beside(
        spectrum->sum, spectrum->bins, interval, view->wide.excluded,
        view->wide.excluded_count, SIDE_BINS);
    double averages = fmin(density.averages, spectrum->segments);
    /* A median is 1.57 times as scattered as a mean, and a bin of the window is worth
     * 1/2.63 of an independent one. */
    double relative =
        2 * sqrt(1.57 * view->channel->window.enbw_bins / (2 * SIDE_BINS * averages));
    double mean = density.mean * weight;
    return (struct power){mean, mean * relative};
}

static struct power lobe_noise(const struct view *view, struct bins lobe)
{
    return noise_under(view, lobe, bins_width(lobe));
}

static void add(struct power *sum, struct power more)
{
    sum->mean += more.mean;
    sum->u95 = hypotenuse(sum->u95, more.u95);
}

/* What the excluded intervals of `range` would hold if only noise were there; with the
 * band's weights where given. */
static struct power restored(const struct view *view, struct bins range,
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
        add(&sum, noise_under(view, part, weight));
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
    return (struct power){mean + noise.mean - lines, hypotenuse(u95 * scale, noise.u95)};
}

static struct power less(struct power noise)
{
    return (struct power){-noise.mean, noise.u95};
}

static double ratio_u95(const struct moments *moments, double numerator,
                        double fundamental, double more)
{
    double factor = numerator / fundamental;
    return hypotenuse(moments_u95_of_difference(moments, factor), more) / fundamental;
}

static void thd_power(const struct view *view, struct distortion_powers *powers)
{
    const struct distortion_channel *channel = view->channel;
    struct power noise = {0, 0};
    for (int k = 2; k <= view->request->harmonics; k++) {
        struct harmonic_place place =
            tone_bands_harmonic(&view->nominal, channel->plan.length, view->tone_bins, k);
        if (!distortion_counts_in_thd(channel, &place))
            continue;
        powers->has_harmonics_in_band = true;
        add(&noise, lobe_noise(view, place.lobe));
    }
    powers->thd = with_noise(&channel->thd, less(noise), 0);
    powers->thd_per_fundamental_u95 =
        ratio_u95(&channel->thd, powers->thd.mean, powers->fundamental.mean, noise.u95);
}

static struct power mains_power(const struct view *view, int family, bool *ret_any)
{
    const struct distortion_channel *channel = view->channel;
    struct power noise = {0, 0};
    *ret_any = false;
    for (int m = 1; m <= DISTORTION_MAINS_LINES; m++) {
        struct bins lobe = distortion_mains_lobe(channel, &view->nominal, family, m);
        if (bins_width(lobe) == 0)
            continue;
        *ret_any = true;
        add(&noise, lobe_noise(view, lobe));
    }
    return with_noise(&channel->mains[family], less(noise), 0);
}

static void gather_mains(const struct view *view, struct distortion_powers *powers)
{
    bool any50, any60;
    struct power mains50 = mains_power(view, 0, &any50);
    struct power mains60 = mains_power(view, 1, &any60);
    bool fifty = any50 && (!any60 || mains50.mean >= mains60.mean);
    powers->mains = fifty ? mains50 : mains60;
    powers->has_mains = any50 || any60;
}

static void gather(const struct view *view, const struct distortion_lines *lines,
                   struct distortion_powers *powers)
{
    const struct distortion_channel *channel = view->channel;
    const struct power nothing = {0, 0};
    struct bins tone = view->nominal.fundamental;
    struct power in_tone = lobe_noise(view, tone);
    struct power in_band_of_tone = nothing;
    if (!channel->notch_weights) /* a notch leaves nothing there */
        in_band_of_tone =
            noise_under(view, tone, bins_width(bins_within(tone, channel->band)));
    powers->fundamental = with_noise(&channel->fundamental, less(in_tone), 0);
    powers->total = with_noise(&channel->total, nothing, 0);
    powers->residual = with_noise(&channel->residual, in_band_of_tone, 0);
    powers->residual_per_fundamental_u95 =
        ratio_u95(&channel->residual, powers->residual.mean, powers->fundamental.mean,
                  in_band_of_tone.u95);
    /* Folded harmonics of high order are found as lines; they are harmonics, not noise.
     */
    powers->noise = with_noise(&channel->noise, restored(view, channel->band, NULL),
                               lines->folded_power);
    powers->noise_per_fundamental_u95 =
        hypotenuse(powers->noise.u95, powers->fundamental.u95 * powers->noise.mean /
                                          powers->fundamental.mean) /
        powers->fundamental.mean;
    powers->noise_a =
        with_noise(&channel->noise_a, restored(view, channel->band, channel->a_weights),
                   lines->folded_power_a);
    powers->out_of_band = with_noise(&channel->out_of_band_noise,
                                     restored(view, channel->out_of_band, NULL), 0);
    thd_power(view, powers);
    gather_mains(view, powers);
    powers->correlated = lines->high_order_power;
}

/* The larger half-width in decibels of a power known to this relative half-width. */
static double db_u95(double relative)
{
    return relative < 1 ? fabs(decibel_from_power(1 - relative)) : NAN;
}

/* A ratio of powers in dB, or its bound when it does not exceed its half-width. `sign` −1
 * turns it over (fundamental to residual). */
static void report_ratio_db(struct report *report, int c, int figure, double ratio,
                            double ratio_half, double sign)
{
    if (ratio <= 0 || ratio <= ratio_half) {
        double highest = fmax(ratio, 0) + ratio_half;
        if (highest > 0)
            report_bound(report, c, figure, sign * decibel_from_power(highest));
        else
            report_none(report, c, figure, REASON_BELOW_NOISE);
        return;
    }
    report_value(report, c, figure, sign * decibel_from_power(ratio),
                 db_u95(ratio_half / ratio));
}

static void report_ratio_percent(struct report *report, int c, int figure, double ratio,
                                 double ratio_half)
{
    if (ratio <= 0 || ratio <= ratio_half) {
        double highest = fmax(ratio, 0) + ratio_half;
        if (highest > 0)
            report_bound(report, c, figure, 100 * sqrt(highest));
        else
            report_none(report, c, figure, REASON_BELOW_NOISE);
        return;
    }
    double value = 100 * sqrt(ratio);
    report_value(report, c, figure, value, value * (1 - sqrt(1 - ratio_half / ratio)));
}

static void report_level(struct report *report, int c, int figure, struct power power)
{
    /* A level in dBFS is the ratio to the mean square of a full-scale sine. */
    report_ratio_db(report, c, figure, 2 * power.mean, 2 * power.u95, 1);
}

static void report_distortions(struct report *report, int c,
                               const struct distortion_request *request,
                               const struct distortion_powers *p)
{
    double fundamental = p->fundamental.mean, thd = p->thd.mean / fundamental;
    if (p->has_harmonics_in_band) {
        report_ratio_db(report, c, FIGURE_THD, thd, p->thd_per_fundamental_u95, 1);
        report_ratio_percent(report, c, FIGURE_THD_PERCENT, thd,
                             p->thd_per_fundamental_u95);
    } else {
        report_none(report, c, FIGURE_THD, REASON_ABOVE_BAND);
        report_none(report, c, FIGURE_THD_PERCENT, REASON_ABOVE_BAND);
    }
    double ratio = p->residual.mean / fundamental, half = p->residual_per_fundamental_u95;
    double share = p->residual.mean / (p->residual.mean + fundamental);
    double share_half = half / ((1 + ratio) * (1 + ratio));
    report_ratio_db(report, c, FIGURE_THD_PLUS_NOISE, share, share_half, 1);
    report_ratio_percent(report, c, FIGURE_THD_PLUS_NOISE_PERCENT, share, share_half);
    report_ratio_db(report, c, FIGURE_SINAD, ratio, half, -1);
    report_ratio_db(report, c, FIGURE_SNR, p->noise.mean / fundamental,
                    p->noise_per_fundamental_u95, -1);
    if (ratio > 0 && !(ratio <= half)) {
        const double offset_db = 1.76, per_bit_db = 6.02; /* IEEE 1241 */
        double sinad = -decibel_from_power(ratio),
               u95 = db_u95(half / ratio) / per_bit_db;
        double down_db =
            request->full_scale_level_dbfs - dbfs_from_mean_square(fundamental);
        report_value(report, c, FIGURE_ENOB, (sinad - offset_db) / per_bit_db, u95);
        report_value(report, c, FIGURE_ENOB_FULL_SCALE,
                     (sinad + down_db - offset_db) / per_bit_db, u95);
    } else {
        report_none(report, c, FIGURE_ENOB, REASON_BELOW_NOISE);
        report_none(report, c, FIGURE_ENOB_FULL_SCALE, REASON_BELOW_NOISE);
    }
}

static void report_levels(struct report *report, int c,
                          const struct distortion_channel *channel,
                          const struct distortion_powers *p)
{
    struct tone_track_result tone = tone_track_result(&channel->track);
    double rate = channel->sample_rate_hz;
    report_value(report, c, FIGURE_FUNDAMENTAL_FREQUENCY, tone.cycles * rate,
                 tone.cycles_u95 * rate);
    report_level(report, c, FIGURE_FUNDAMENTAL_LEVEL, p->fundamental);
    report_level(report, c, FIGURE_NOISE_LEVEL, p->noise);
    report_level(report, c, FIGURE_NOISE_LEVEL_A, p->noise_a);
    /* Below this the range 20 kHz to 0.45 of the rate is empty or a sliver. */
    if (bins_width(channel->out_of_band) * distortion_bin_hz(channel) < 100)
        report_none(report, c, FIGURE_OUT_OF_BAND_NOISE, REASON_ABOVE_BAND);
    else
        report_level(report, c, FIGURE_OUT_OF_BAND_NOISE, p->out_of_band);
    report_value(report, c, FIGURE_DC_OFFSET, moments_mean_x(&channel->dc),
                 moments_u95(&channel->dc));
    if (p->has_mains)
        report_ratio_db(report, c, FIGURE_MAINS_LEVEL,
                        p->mains.mean / p->fundamental.mean,
                        p->mains.u95 / p->fundamental.mean, 1);
    else
        report_none(report, c, FIGURE_MAINS_LEVEL, REASON_NOT_DETERMINABLE);
    static const int voltages[] = {FIGURE_FUNDAMENTAL_VOLTAGE, FIGURE_NOISE_VOLTAGE,
                                   FIGURE_NOISE_VOLTAGE_A, FIGURE_DC_VOLTAGE};
    for (int i = 0; i < 4; i++)
        report_none(report, c, voltages[i], REASON_NO_CALIBRATION);
}

static void report_against_reference(struct report *report, int c,
                                     const struct distortion_channel *channel,
                                     const struct distortion_powers *p,
                                     const struct distortion_channel *reference)
{
    if (!reference || !reference->has_tone) {
        report_none(report, c, FIGURE_CHANNEL_LEVEL_DIFFERENCE, REASON_NO_REFERENCE);
        report_none(report, c, FIGURE_CHANNEL_PHASE_DIFFERENCE, REASON_NO_REFERENCE);
        return;
    }
    double power = moments_mean_x(&reference->fundamental);
    double relative = moments_u95(&reference->fundamental) / power;
    struct tone_track_result own = tone_track_result(&channel->track);
    struct tone_track_result other = tone_track_result(&reference->track);
    double own_middle = (double)channel->plan.first_frame +
                        (double)(channel->plan.count - 1) / 2 * channel->plan.hop +
                        channel->plan.length / 2;
    double other_middle = (double)reference->plan.first_frame +
                          (double)(reference->plan.count - 1) / 2 * reference->plan.hop +
                          reference->plan.length / 2;
    double turns = own.cycles * (own_middle - other_middle);
    double degrees =
        (own.phase - other.phase) * 180 / M_PI - 360 * (turns - floor(turns));
    double both = hypotenuse(own.phase_u95, other.phase_u95);
    if (channel == reference)
        relative = both = 0;
    else
        relative = hypotenuse(relative, p->fundamental.u95 / p->fundamental.mean);
    report_value(report, c, FIGURE_CHANNEL_LEVEL_DIFFERENCE,
                 channel == reference
                     ? 0
                     : decibel_from_power(moments_mean_x(&channel->fundamental) / power),
                 db_u95(relative));
    report_value(report, c, FIGURE_CHANNEL_PHASE_DIFFERENCE,
                 degrees - 360 * round(degrees / 360), both * 180 / M_PI);
}

static double phase_deg(double complex phase_sum, int order)
{
    /* From cosine phases to sine phases: ψ + 90° each. */
    double degrees = carg(phase_sum) * 180 / M_PI + 90.0 * (1 - order);
    return degrees - 360 * round(degrees / 360);
}

static void report_harmonics(const struct view *view, const struct distortion_powers *p,
                             struct report *report, int c)
{
    const struct distortion_channel *channel = view->channel;
    double threshold = statistics_line_threshold(channel->spectrum.segments,
                                                 15.0 * (view->request->harmonics - 1));
    for (int k = 2; k <= view->request->harmonics; k++) {
        struct harmonic_place place =
            tone_bands_harmonic(&view->nominal, channel->plan.length, view->tone_bins, k);
        struct power noise = lobe_noise(view, place.lobe);
        struct power power = with_noise(&channel->harmonic[k], less(noise), 0);
        double beside = noise.mean / bins_width(place.lobe), peak = 0;
        for (int j = place.lobe.first; j <= place.lobe.last; j++)
            peak = fmax(peak, channel->spectrum.sum[j]);
        bool above = place.separate && power.mean > 0 && !(power.mean <= power.u95) &&
                     peak > threshold * beside;
        double ratio = power.mean / p->fundamental.mean;
        double highest = (fmax(power.mean, 0) + power.u95) / p->fundamental.mean;
        bool has_phase = above && !place.aliased;
        struct report_cell cells[] = {
            report_number(k),
            report_number(place.bin * distortion_bin_hz(channel)),
            report_number(above ? decibel_from_power(ratio) : NAN),
            report_number(above ? db_u95(power.u95 / power.mean) : NAN),
            report_number(has_phase ? phase_deg(channel->phase_sum[k], k) : NAN),
            report_boolean(above),
            report_boolean(place.aliased),
            report_number(above || !place.separate ? NAN : decibel_from_power(highest)),
        };
        report_row(report, c, LIST_HARMONICS, cells);
    }
}

static void report_spectrum(const struct distortion_channel *channel,
                            struct report *report, int c)
{
    int points = channel->spectrum.bins;
    double scale = 2 * spectrum_peak_factor(&channel->window);
    struct report_series series = {
        .y = malloc((size_t)points * sizeof(float)),
        .points = (size_t)points,
        .x_start = 0,
        .x_step = distortion_bin_hz(channel),
        .resolution_bandwidth_hz = channel->window.enbw_bins * distortion_bin_hz(channel),
    };
    for (int j = 0; series.y && j < points; j++)
        series.y[j] = (float)decibel_from_power(scale * channel->spectrum.sum[j]);
    report_series(report, c, SERIES_SPECTRUM, &series);
}

static bool view_new(const struct distortion_channel *channel,
                     const struct distortion_request *request, struct view *ret,
                     struct problem *problem)
{
    int length = channel->plan.length;
    double tone_bins = tone_track_result(&channel->track).cycles * length;
    double smear =
        (channel->track.maximum_cycles - channel->track.minimum_cycles) / 2 * length;
    *ret = (struct view){.channel = channel, .request = request, .tone_bins = tone_bins};
    if (!tone_bands_new(length, 0.9 * tone_bins, request->harmonics, &ret->nominal,
                        problem) ||
        !tone_bands_new(length, 0.9 * tone_bins, request->harmonics, &ret->wide, problem))
        return false;
    tone_bands_lay(&ret->nominal, length, tone_bins, request->harmonics, 0);
    tone_bands_lay(&ret->wide, length, tone_bins, request->harmonics, smear);
    return true;
}

bool distortion_figures(const struct distortion_channel *channel,
                        const struct distortion_request *request,
                        const struct distortion_channel *reference, struct report *report,
                        int c, struct distortion_powers *ret, struct problem *problem)
{
    struct view view = {0};
    struct distortion_lines lines = {0};
    struct distortion_powers powers = {0};
    bool done = view_new(channel, request, &view, problem) &&
                distortion_lines_find(channel, request, &view.wide, &lines, problem);
    if (done) {
        gather(&view, &lines, &powers);
        report_levels(report, c, channel, &powers);
        report_distortions(report, c, request, &powers);
        report_against_reference(report, c, channel, &powers, reference);
        report_harmonics(&view, &powers, report, c);
        distortion_lines_report(channel, &lines, powers.fundamental.mean, report, c);
        report_spectrum(channel, report, c);
        report_flag(report, c, FINDING_OVERLOAD, channel->overload);
        *ret = powers;
    }
    distortion_lines_free(&lines);
    tone_bands_free(&view.nominal);
    tone_bands_free(&view.wide);
    return done;
}
