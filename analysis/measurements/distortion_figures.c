#include "analysis/measurements/distortion_figures.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/figures.h"

static void report_thd(struct report *report, int c, const struct distortion_powers *p)
{
    double thd = p->thd.mean / p->fundamental.mean, half = p->thd_per_fundamental_u95;
    double highest =
        fmax(thd, 0) + (isnan(half) ? p->thd_noise / p->fundamental.mean : half);
    if (!p->has_harmonics_in_band) {
        report_none(report, c, FIGURE_THD, REASON_ABOVE_BAND);
        report_none(report, c, FIGURE_THD_PERCENT, REASON_ABOVE_BAND);
    } else if (p->thd_mixed || (isnan(half) && !p->thd_stands_out)) {
        /* Something else stands in a harmonic's lobe; or too few segments to tell noise.
         */
        enum reason reason = p->thd_mixed ? REASON_NOT_DETERMINABLE : REASON_BELOW_NOISE;
        report_none_but(report, c, FIGURE_THD, reason, decibel_from_power(highest));
        report_none_but(report, c, FIGURE_THD_PERCENT, reason, 100 * sqrt(highest));
    } else {
        figures_ratio_db(report, c, FIGURE_THD, thd, half, 1);
        figures_ratio_percent(report, c, FIGURE_THD_PERCENT, thd, half);
    }
}

static void report_distortions(struct report *report, int c,
                               const struct distortion_request *request,
                               const struct distortion_powers *p)
{
    double fundamental = p->fundamental.mean;
    report_thd(report, c, p);
    double ratio = p->residual.mean / fundamental, half = p->residual_per_fundamental_u95;
    double total = fundamental + p->residual.mean;
    double share_half = half / ((1 + ratio) * (1 + ratio));
    if (request->notch_q > 0) { /* a notched residual is no part of the total */
        total = p->total.mean;
        share_half = half * fundamental / total;
    }
    double share = p->residual.mean / total;
    figures_ratio_db(report, c, FIGURE_THD_PLUS_NOISE, share, share_half, 1);
    figures_ratio_percent(report, c, FIGURE_THD_PLUS_NOISE_PERCENT, share, share_half);
    figures_ratio_db(report, c, FIGURE_SINAD, ratio, half, -1);
    figures_ratio_db(report, c, FIGURE_SNR, p->noise.mean / fundamental,
                     p->noise_per_fundamental_u95, -1);
    if (ratio > 0 && !(ratio <= half)) {
        const double offset_db = 1.76, per_bit_db = 6.02; /* IEEE 1241 */
        double sinad = -decibel_from_power(ratio),
               u95 = figures_db_u95(half / ratio) / per_bit_db;
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
    figures_level(report, c, FIGURE_FUNDAMENTAL_LEVEL, p->fundamental);
    figures_level(report, c, FIGURE_NOISE_LEVEL, p->noise);
    figures_level(report, c, FIGURE_NOISE_LEVEL_A, p->noise_a);
    figures_out_of_band_level(report, c, FIGURE_OUT_OF_BAND_NOISE, p->out_of_band,
                              bins_width(channel->out_of_band) *
                                  distortion_bin_hz(channel));
    report_value(report, c, FIGURE_DC_OFFSET, moments_mean_x(&channel->dc),
                 moments_u95(&channel->dc));
    double mains = p->mains.mean / p->fundamental.mean;
    double mains_half = p->mains.u95 / p->fundamental.mean;
    if (!p->mains_complete)
        report_none(report, c, FIGURE_MAINS_LEVEL, REASON_NOT_DETERMINABLE);
    else if (p->has_mains && mains > 0)
        figures_ratio_db(report, c, FIGURE_MAINS_LEVEL, mains, mains_half, 1);
    else
        figures_at_most_db(report, c, FIGURE_MAINS_LEVEL, mains, mains_half, 1);
    static const int voltages[] = {FIGURE_FUNDAMENTAL_VOLTAGE, FIGURE_NOISE_VOLTAGE,
                                   FIGURE_NOISE_VOLTAGE_A, FIGURE_DC_VOLTAGE};
    for (int i = 0; i < 4; i++)
        report_none(report, c, voltages[i], REASON_NO_CALIBRATION);
}

/* Mean time of the segments' centres. */
static double middle_frame(const struct segment_plan *plan)
{
    int64_t frames = (plan->count - 1) * plan->hop + plan->length;
    return (double)plan->first_frame + (double)frames / 2;
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
    double between = middle_frame(&channel->plan) - middle_frame(&reference->plan);
    double turns = own.cycles * between;
    double degrees =
        (own.phase - other.phase) * 180 / M_PI - 360 * (turns - floor(turns));
    double both = hypot(own.phase_u95, other.phase_u95);
    /* Tones that drift apart by more than this many turns have no phase to each other. */
    const double most_turns = 0.05;
    double frames = (double)channel->plan.count * channel->plan.hop;
    bool same = fabs(own.cycles - other.cycles) * frames < most_turns;
    if (channel == reference)
        relative = both = 0;
    else
        relative = hypot(relative, p->fundamental.u95 / p->fundamental.mean);
    report_value(report, c, FIGURE_CHANNEL_LEVEL_DIFFERENCE,
                 channel == reference
                     ? 0
                     : decibel_from_power(moments_mean_x(&channel->fundamental) / power),
                 figures_db_u95(relative));
    if (same)
        report_value(report, c, FIGURE_CHANNEL_PHASE_DIFFERENCE,
                     degrees - 360 * round(degrees / 360), both * 180 / M_PI);
    else
        report_none(report, c, FIGURE_CHANNEL_PHASE_DIFFERENCE, REASON_NOT_DETERMINABLE);
}

static double phase_deg(double complex phase_sum, int order)
{
    /* From cosine phases to sine phases: ψ + 90° each. */
    double degrees = carg(phase_sum) * 180 / M_PI + 90.0 * (1 - order);
    return degrees - 360 * round(degrees / 360);
}

static void report_harmonics(const struct distortion_view *view,
                             const struct distortion_lines *lines,
                             const struct distortion_powers *p, struct report *report,
                             int c)
{
    const struct distortion_channel *channel = view->channel;
    for (int k = 2; k <= view->request->harmonics; k++) {
        struct harmonic_place place =
            tone_bands_harmonic(&view->nominal, channel->plan.length, view->tone_bins, k);
        double beside;
        struct power power = distortion_harmonic_power(view, &place, k, &beside);
        bool mixed = distortion_lobe_is_mixed(lines, place.lobe, power.mean);
        bool above = place.separate && !mixed && power.mean > 0 &&
                     !(power.mean <= power.u95) &&
                     distortion_stands_out(view, place.lobe, beside);
        double ratio = power.mean / p->fundamental.mean;
        double highest = (fmax(power.mean, 0) + power.u95) / p->fundamental.mean;
        bool has_phase = above && !place.aliased;
        struct report_cell cells[] = {
            report_number(k),
            report_number(place.bin * distortion_bin_hz(channel)),
            report_number(above ? decibel_from_power(ratio) : NAN),
            report_number(above ? figures_db_u95(power.u95 / power.mean) : NAN),
            report_number(has_phase ? phase_deg(channel->phase_sum[k], k) : NAN),
            report_boolean(above),
            report_boolean(place.aliased),
            report_number(above || !place.separate ? NAN : decibel_from_power(highest)),
        };
        report_row(report, c, LIST_HARMONICS, cells);
    }
}

bool distortion_figures(const struct distortion_channel *channel,
                        const struct distortion_request *request,
                        const struct distortion_channel *reference, struct report *report,
                        int c, struct distortion_powers *ret, struct problem *problem)
{
    struct distortion_view view = {0};
    struct distortion_lines lines = {0};
    struct distortion_powers powers = {0};
    bool done = distortion_view_new(channel, request, &view, problem) &&
                distortion_lines_find(channel, request, &view.wide, &lines, problem);
    if (done) {
        distortion_powers_gather(&view, &lines, &powers);
        report_levels(report, c, channel, &powers);
        report_distortions(report, c, request, &powers);
        report_against_reference(report, c, channel, &powers, reference);
        report_harmonics(&view, &lines, &powers, report, c);
        distortion_lines_report(channel, &lines, powers.fundamental.mean, report, c);
        figures_spectrum(report, c, SERIES_SPECTRUM, &channel->spectrum, channel->window,
                         distortion_bin_hz(channel));
        report_flag(report, c, FINDING_OVERLOAD, channel->overload);
        *ret = powers;
    }
    distortion_lines_free(&lines);
    distortion_view_free(&view);
    return done;
}
