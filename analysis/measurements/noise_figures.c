#include "analysis/measurements/noise_figures.h"

#include <math.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/noise_lines.h"
#include "analysis/measurements/powers.h"

struct noise_powers {
    struct power tone, noise, noise_a, noise_468, out_of_band, mains, per_hz;
};

/* A weighted or unweighted noise, with what the tone's band would hold of it restored. */
static struct power whole_noise(const struct noise_channel *channel,
                                const struct powers_view *view,
                                const struct moments *moments, struct bins range,
                                const double *weights)
{
    struct powers_cut cut = {&channel->tone, channel->has_tone, channel->tone};
    return powers_with(moments, powers_restored(view, &cut, range, weights), 0);
}

static struct power mains_power(const struct noise_channel *channel,
                                const struct powers_view *view, enum mains_family family)
{
    struct power under = {0, 0};
    for (int m = 1; m <= MAINS_LINES; m++) {
        struct bins lobe = noise_mains_lobe(channel, family, m);
        if (bins_width(lobe) > 0)
            powers_add(&under, powers_under(view, lobe, bins_width(lobe)));
    }
    return powers_with(&channel->mains[family], powers_less(under), 0);
}

/* Noise without its lines, per hertz. Its half-width is that of the sum over averaged
 * bins: neighbours are not independent, and what they are worth together is told by the
 * window's fourth powers. */
static struct power density(const struct noise_channel *channel,
                            const struct powers_view *view)
{
    double neighbours = view->window->correlated_bins;
    const struct spectrum *spectrum = &channel->spectrum;
    struct powers_cut cut = {view->excluded, view->excluded_count, channel->tone};
    struct bins band = channel->band;
    double sum = powers_sum_outside(spectrum->sum, view->excluded, view->excluded_count,
                                    band, NULL);
    double squares = 0, width_hz = bins_width(band) * noise_bin_hz(channel);
    struct power restored = powers_restored(view, &cut, band, NULL);
    for (int j = band.first, i = 0; j <= band.last; j++) {
        while (i < view->excluded_count && view->excluded[i].last < j)
            i++;
        if (i == view->excluded_count || view->excluded[i].first > j)
            squares += spectrum->sum[j] * spectrum->sum[j];
    }
    double half = spectrum->segments < 3
                      ? NAN
                      : 2 * sqrt(neighbours * squares / spectrum->segments);
    return (struct power){(sum + restored.mean) / width_hz,
                          hypot(half, restored.u95) / width_hz};
}

static struct noise_powers gather(const struct noise_channel *channel,
                                  const struct noise_lines *lines)
{
    const struct powers_view view = {&channel->spectrum, channel->window, lines->excluded,
                                     lines->excluded_count};
    struct power under = {0, 0};
    if (channel->has_tone)
        under = powers_under_tone(&view, channel->tone, bins_width(channel->tone));
    return (struct noise_powers){
        .tone = powers_with(&channel->tone_power, powers_less(under), 0),
        .noise = whole_noise(channel, &view, &channel->noise, channel->band, NULL),
        .noise_a = whole_noise(channel, &view, &channel->noise_a, channel->band,
                               channel->a_weights),
        .noise_468 = whole_noise(channel, &view, &channel->noise_468, channel->band,
                                 channel->weights_468),
        .out_of_band = whole_noise(channel, &view, &channel->out_of_band_noise,
                                   channel->out_of_band, NULL),
        .mains = mains_power(channel, &view, lines->family),
        .per_hz = density(channel, &view),
    };
}

/* How much wider the mean reading is known than readings of single segments tell: the
 * needle remembers, so that neighbours are not independent. As for means, over so long
 * each, of a noise whose memory fades exponentially. */
static double needle_widening(double segment_s)
{
    const double memory_s = 0.25; /* fits the scatter of simulated readings */
    double share = memory_s / segment_s;
    return 1 / sqrt(1 - share * -expm1(-1 / share));
}

static void report_quasi_peak(const struct noise_channel *channel, struct report *report,
                              int c)
{
    const struct moments *reading = &channel->quasi_peak;
    if (!channel->filter) {
        report_none(report, c, FIGURE_NOISE_LEVEL_468_QUASI_PEAK,
                    REASON_NOT_DETERMINABLE);
        return;
    }
    double mean = moments_mean_x(reading);
    double half = moments_u95(reading) *
                  needle_widening((double)channel->plan.hop / channel->sample_rate_hz);
    /* An amplitude: relative to its square it is known half as well. */
    figures_level(report, c, FIGURE_NOISE_LEVEL_468_QUASI_PEAK,
                  (struct power){mean * mean, 2 * half * mean});
}

/* Whether the tone stands on a line of the family, which cannot be told then. */
static bool tone_hides_mains(const struct noise_channel *channel,
                             enum mains_family family)
{
    for (int m = 1; channel->has_tone && m <= MAINS_LINES; m++)
        if (bins_meet(mains_lobe(family, m, noise_bin_hz(channel)), channel->tone))
            return true;
    return false;
}

static void report_mains(const struct noise_channel *channel,
                         const struct noise_lines *lines, struct power mains,
                         struct report *report, int c)
{
    if (tone_hides_mains(channel, lines->family))
        report_none(report, c, FIGURE_MAINS_LEVEL, REASON_NOT_DETERMINABLE);
    else if (lines->has_any_mains)
        figures_level(report, c, FIGURE_MAINS_LEVEL, mains);
    else
        figures_at_most_db(report, c, FIGURE_MAINS_LEVEL, 2 * mains.mean, 2 * mains.u95,
                           1);
}

static void report_levels(const struct noise_channel *channel,
                          const struct noise_powers *powers, struct report *report, int c)
{
    figures_level(report, c, FIGURE_NOISE_LEVEL, powers->noise);
    figures_level(report, c, FIGURE_NOISE_LEVEL_A, powers->noise_a);
    figures_level(report, c, FIGURE_NOISE_LEVEL_468, powers->noise_468);
    figures_level(report, c, FIGURE_NOISE_DENSITY, powers->per_hz);
    report_quasi_peak(channel, report, c);
    figures_out_of_band_level(report, c, FIGURE_OUT_OF_BAND_NOISE, powers->out_of_band,
                              bins_width(channel->out_of_band) * noise_bin_hz(channel));
    static const int voltages[] = {
        FIGURE_NOISE_VOLTAGE, FIGURE_NOISE_VOLTAGE_A, FIGURE_NOISE_VOLTAGE_468,
        FIGURE_NOISE_VOLTAGE_468_QUASI_PEAK, FIGURE_NOISE_DENSITY_VOLTAGE};
    for (int i = 0; i < 5; i++)
        report_none(report, c, voltages[i], REASON_NO_CALIBRATION);
}

/* What the dynamic range is counted from: full scale as it was given, or as the tone
 * tells, mean square. A tone that was played far from −60 dBFS tells of no dynamic range:
 * a loud one brings its own distortion. */
static bool reference(const struct noise_channel *channel,
                      const struct noise_request *request, struct power tone,
                      struct power *ret, enum reason *ret_reason)
{
    const double lowest_dbfs = -80, highest_dbfs = -40;
    double played_dbfs =
        request->tone_hz > 0 ? request->played_dbfs : dbfs_from_mean_square(tone.mean);
    *ret_reason = channel->has_tone ? REASON_NOT_DETERMINABLE : REASON_NO_REFERENCE;
    if (request->has_full_scale) {
        *ret = (struct power){dbfs_to_mean_square(request->full_scale_level_dbfs), 0};
        return true;
    }
    if (!channel->has_tone || played_dbfs < lowest_dbfs || played_dbfs > highest_dbfs)
        return false;
    double times = decibel_to_power(-request->played_dbfs);
    *ret = (struct power){tone.mean * times, tone.u95 * times};
    return true;
}

static void report_ranges(const struct noise_channel *channel,
                          const struct noise_request *request,
                          const struct noise_powers *powers, struct report *report, int c)
{
    static const int figures[] = {FIGURE_DYNAMIC_RANGE, FIGURE_DYNAMIC_RANGE_A,
                                  FIGURE_DYNAMIC_RANGE_468};
    const struct power noises[] = {powers->noise, powers->noise_a, powers->noise_468};
    struct power full;
    enum reason reason;
    if (!reference(channel, request, powers->tone, &full, &reason)) {
        for (int i = FIGURE_DYNAMIC_RANGE; i <= FIGURE_DYNAMIC_RANGE_BITS; i++)
            report_none(report, c, i, reason);
        return;
    }
    for (int i = 0; i < 3; i++) {
        double ratio = noises[i].mean / full.mean;
        double half = hypot(noises[i].u95, ratio * full.u95) / full.mean;
        figures_ratio_db(report, c, figures[i], ratio, half, -1);
    }
    const double offset_db = 1.76, per_bit_db = 6.02; /* IEEE 1241 */
    const struct report_figure *range =
        &report->channels[c].figures[FIGURE_DYNAMIC_RANGE];
    if (range->has_value)
        report_value(report, c, FIGURE_DYNAMIC_RANGE_BITS,
                     (range->value - offset_db) / per_bit_db, range->u95 / per_bit_db);
    else
        report_none(report, c, FIGURE_DYNAMIC_RANGE_BITS, range->reason);
}

static void report_tone(const struct noise_channel *channel, struct power tone,
                        struct report *report, int c)
{
    if (!channel->has_tone) {
        report_none(report, c, FIGURE_TONE_FREQUENCY, REASON_NO_REFERENCE);
        report_none(report, c, FIGURE_TONE_LEVEL, REASON_NO_REFERENCE);
        return;
    }
    report_value(report, c, FIGURE_TONE_FREQUENCY, channel->tone_hz, NAN);
    figures_level(report, c, FIGURE_TONE_LEVEL, tone);
}

bool noise_figures(const struct noise_channel *channel,
                   const struct noise_request *request, struct report *report, int c,
                   struct problem *problem)
{
    struct noise_lines lines = {0};
    if (!noise_lines_find(channel, request, &lines, problem))
        return false;
    struct noise_powers powers = gather(channel, &lines);
    report_levels(channel, &powers, report, c);
    report_mains(channel, &lines, powers.mains, report, c);
    report_ranges(channel, request, &powers, report, c);
    report_tone(channel, powers.tone, report, c);
    noise_lines_report(channel, &lines, report, c);
    figures_spectrum(report, c, SERIES_SPECTRUM, &channel->spectrum, channel->window,
                     noise_bin_hz(channel));
    noise_lines_free(&lines);
    return true;
}
