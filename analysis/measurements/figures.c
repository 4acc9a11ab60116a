#include "analysis/measurements/figures.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"

double figures_db_u95(double relative)
{
    return relative < 1 ? fabs(decibel_from_power(1 - relative)) : NAN;
}

void figures_at_most_db(struct report *report, int c, int figure, double ratio,
                        double ratio_half, double sign)
{
    double highest = fmax(ratio, 0) + ratio_half;
    if (highest > 0)
        report_bound(report, c, figure, sign * decibel_from_power(highest));
    else
        report_none(report, c, figure, REASON_BELOW_NOISE);
}

void figures_ratio_db(struct report *report, int c, int figure, double ratio,
                      double ratio_half, double sign)
{
    if (ratio <= 0 || ratio <= ratio_half)
        figures_at_most_db(report, c, figure, ratio, ratio_half, sign);
    else
        report_value(report, c, figure, sign * decibel_from_power(ratio),
                     figures_db_u95(ratio_half / ratio));
}

void figures_ratio_percent(struct report *report, int c, int figure, double ratio,
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

void figures_level(struct report *report, int c, int figure, struct power power)
{
    /* A level in dBFS is the ratio to the mean square of a full-scale sine. */
    figures_ratio_db(report, c, figure, 2 * power.mean, 2 * power.u95, 1);
}

struct bins figures_out_of_band(int sample_rate_hz, int length)
{
    const double from_hz = 20000, share = 0.45;
    return bins_of_band(from_hz, share * sample_rate_hz, (double)sample_rate_hz / length,
                        length);
}

void figures_out_of_band_level(struct report *report, int c, int figure,
                               struct power power, double width_hz)
{
    const double sliver_hz = 100;
    if (width_hz < sliver_hz)
        report_none(report, c, figure, REASON_ABOVE_BAND);
    else
        figures_level(report, c, figure, power);
}

double figures_line_u95_db(const struct spectrum *spectrum, int peak)
{
    return figures_db_u95(spectrum_relative_u95(spectrum, peak));
}

double figures_hidden_line(const struct window *window, double highest_bin, int segments)
{
    double lowered = 2 / sqrt(segments); /* by the noise in its bin: two of its scatter */
    double scalloping =
        window_transform(window->kind, 0) / window_transform(window->kind, 0.5);
    return highest_bin * (1 + lowered) * spectrum_peak_factor(window) * scalloping *
           scalloping;
}

void figures_spectrum(struct report *report, int c, int series,
                      const struct spectrum *spectrum, const struct window *window,
                      double bin_hz)
{
    int points = spectrum->bins;
    double scale = 2 * spectrum_peak_factor(window);
    struct report_series values = {
        .y = malloc((size_t)points * sizeof(float)),
        .points = (size_t)points,
        .x_start = 0,
        .x_step = bin_hz,
        .resolution_bandwidth_hz = window->enbw_bins * bin_hz,
    };
    for (int j = 0; values.y && j < points; j++)
        values.y[j] = (float)decibel_from_power(scale * spectrum->sum[j]);
    report_series(report, c, series, &values);
}

void figures_span(struct report *report, int c, const struct segment_plan *plan,
                  int sample_rate_hz)
{
    int64_t frames = (plan->count - 1) * plan->hop + plan->length;
    report_span(report, c, (double)plan->first_frame / sample_rate_hz,
                (double)(plan->first_frame + frames) / sample_rate_hz);
}
