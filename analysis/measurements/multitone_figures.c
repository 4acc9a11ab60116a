#include "analysis/measurements/multitone_figures.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/multitone_powers.h"

static const double per_bit_db = 6.02;

/* A ratio to the total in dB, and as bits below it; both bounds where it does not exceed
 * its half-width. */
static void report_ratio(struct report *report, int c, int figure_db, int figure_bits,
                         double ratio, double ratio_half)
{
    figures_ratio_db(report, c, figure_db, ratio, ratio_half, 1);
    const struct report_figure *made = &report->channels[c].figures[figure_db];
    if (made->has_value)
        report_value(report, c, figure_bits, -made->value / per_bit_db,
                     made->u95 / per_bit_db);
    else if (made->has_bound)
        report_bound(report, c, figure_bits, -made->bound / per_bit_db);
    else
        report_none(report, c, figure_bits, made->reason);
}

static void report_levels(const struct multitone_channel *channel,
                          const struct multitone_powers *p, struct report *report, int c)
{
    const struct steady_span *span = &channel->span;
    double rms = sqrt(fmax(span->mean_square - span->dc * span->dc, 0));
    double peak = fmax(span->maximum - span->dc, span->dc - span->minimum);
    double band_hz = bins_width(channel->band) * multitone_pass_bin_hz(channel);
    struct power density = {p->residual.mean / band_hz, p->residual.u95 / band_hz};
    for (int i = 0; i < p->lines.count; i++)
        density.mean -= p->lines.lines[i].power / band_hz;
    double ratio = p->residual.mean / p->tones.mean, half = p->residual_per_tones_u95;
    report_value(report, c, MULTITONE_TONE_COUNT, p->there_count, NAN);
    report_value(report, c, MULTITONE_CREST_FACTOR, 20 * log10(peak / rms), NAN);
    figures_level(report, c, MULTITONE_TOTAL_LEVEL, p->total);
    figures_level(report, c, MULTITONE_RESIDUAL_LEVEL, p->residual);
    figures_level(report, c, MULTITONE_RESIDUAL_DENSITY, density);
    report_ratio(report, c, MULTITONE_RESIDUAL_RATIO, MULTITONE_RESIDUAL_BITS,
                 p->residual.mean / p->total.mean, half / ((1 + ratio) * (1 + ratio)));
}

static void report_largest_line(const struct multitone_channel *channel,
                                const struct multitone_powers *p, struct report *report,
                                int c)
{
    double total = p->total.mean;
    if (p->lines.count > 0) {
        const struct line *line = &p->lines.lines[0];
        double half = spectrum_relative_u95(&p->residual_spectrum, line->peak) *
                      multitone_powers_widening(&channel->plan);
        report_ratio(report, c, MULTITONE_LARGEST_LINE_RATIO, MULTITONE_LARGEST_LINE_BITS,
                     line->power / total, half * line->power / total);
        report_value(report, c, MULTITONE_LARGEST_LINE_FREQUENCY,
                     line->bin * multitone_pass_bin_hz(channel), NAN);
        return;
    }
    double highest = 0;
    for (int j = channel->band.first; j <= channel->band.last; j++)
        highest = fmax(highest, p->residual_spectrum.sum[j]);
    report_ratio(
        report, c, MULTITONE_LARGEST_LINE_RATIO, MULTITONE_LARGEST_LINE_BITS, 0,
        figures_hidden_line(channel->window, highest, p->residual_spectrum.segments) /
            total);
    report_none(report, c, MULTITONE_LARGEST_LINE_FREQUENCY, REASON_BELOW_NOISE);
}

static void report_tones(const struct multitone_channel *channel,
                         const struct multitone_powers *p, struct report *report, int c)
{
    for (int i = 0; i < channel->set.count; i++) {
        const struct multitone_place *place = &channel->set.places[i];
        double hz = place->cycles * p->ratio * channel->sample_rate_hz;
        double power = p->tone[i].mean;
        if (p->there[i]) {
            struct report_cell cells[] = {
                report_number(hz),
                report_number(place->nominal_hz > 0 ? place->nominal_hz : NAN),
                report_number(dbfs_from_mean_square(power)),
                report_number(figures_db_u95(p->tone[i].u95 / power)),
                report_number(decibel_from_power(power / p->total.mean)),
                report_number(decibel_from_power(p->tone[i].mean / p->median_tone)),
            };
            report_row(report, c, MULTITONE_LIST_TONES, cells);
        } else {
            struct report_cell cells[] = {
                report_number(place->nominal_hz > 0 ? place->nominal_hz : hz),
                report_number(dbfs_from_mean_square(fmax(power, 0) + p->tone[i].u95)),
            };
            report_row(report, c, MULTITONE_LIST_LOST, cells);
        }
    }
}

/* Tones told that a recording of this rate cannot hold. */
static void report_beyond(const struct multitone_channel *channel,
                          const struct multitone_request *request, struct report *report,
                          int c)
{
    double bin_hz = multitone_pass_bin_hz(channel), highest_hz = 0;
    if (request->told_count > 0)
        highest_hz = channel->set.places[channel->set.count - 1].nominal_hz;
    for (int i = 0; i < request->told_count; i++) {
        double hz = request->told_hz[i];
        if (hz <= highest_hz || !multitone_search_in_band(hz, request->band_hz, bin_hz))
            continue;
        struct report_cell cells[] = {report_number(hz), report_number(NAN)};
        report_row(report, c, MULTITONE_LIST_LOST, cells);
    }
}

/* Third-octave bands about 1000·10^(n/10) Hz, as far as the band holds them. */
static void report_bands(const struct multitone_channel *channel,
                         const struct multitone_request *request,
                         const struct multitone_powers *p, struct report *report, int c)
{
    enum { LOWEST = -30, HIGHEST = 26 }; /* 1 Hz to 398 kHz */
    double bin_hz = multitone_pass_bin_hz(channel);
    struct report_series series = {
        .x = malloc((HIGHEST - LOWEST + 1) * sizeof(float)),
        .y = malloc((HIGHEST - LOWEST + 1) * sizeof(float)),
    };
    for (int n = LOWEST; n <= HIGHEST && series.x && series.y; n++) {
        double from_hz = fmax(1000 * pow(10, (n - 0.5) / 10), request->band_hz[0]);
        double to_hz = fmin(1000 * pow(10, (n + 0.5) / 10), request->band_hz[1]);
        /* A bin belongs to the band that its frequency lies in, or to the next one. */
        struct bins part = bins_within(
            (struct bins){(int)ceil(from_hz / bin_hz), (int)ceil(to_hz / bin_hz) - 1},
            channel->band);
        if (n == HIGHEST || to_hz >= request->band_hz[1])
            part.last = channel->band.last;
        if (bins_width(part) == 0)
            continue;
        series.x[series.points] = (float)(1000 * pow(10, n / 10.0));
        series.y[series.points++] =
            (float)dbfs_from_mean_square(spectrum_sum(p->residual_spectrum.sum, part));
    }
    if (!series.x || !series.y) {
        free(series.x);
        free(series.y);
        series.x = series.y = NULL;
    }
    report_series(report, c, MULTITONE_SERIES_RESIDUAL_BY_BAND, &series);
}

/* A line in the residual as strong as a tone may be one: then the signal told is another
 * one, or tones were taken for residual. */
static void warn_strange(const struct multitone_channel *channel,
                         const struct multitone_request *request,
                         const struct multitone_powers *p, struct report *report)
{
    bool told = request->told_count > 0;
    double near_db = told ? 6 : 30, powers[MULTITONE_MAX_TONES];
    int count = 0;
    for (int i = 0; i < channel->set.count; i++)
        if (p->there[i])
            powers[count++] = p->tone[i].mean;
    if (p->lines.count == 0 || count == 0)
        return;
    double below_db =
        decibel_from_power(statistics_median(powers, count) / p->lines.lines[0].power);
    if (below_db >= near_db)
        return;
    report_warn(report, "wrong_signal", channel->channel + 1,
                "A line at %.1f Hz, %.1f dB below the tones, is none of %s and counts as "
                "residual. "
                "If it was played, %s.",
                p->lines.lines[0].bin * multitone_pass_bin_hz(channel), below_db,
                told ? "the signal told" : "them",
                told ? "tell the signal that was" : "tell the signal with the analysis");
}

static void warn_displaced(const struct multitone_channel *channel, double ratio,
                           struct report *report)
{
    const struct multitone_place *place = &channel->set.places[channel->set.displaced];
    double bin_hz = (double)channel->sample_rate_hz / channel->set.length;
    if (channel->set.displaced_bins != 0)
        report_warn(
            report, "wrong_signal", channel->channel + 1,
            "A tone stands %.2f Hz beside %.2f Hz, where the signal told has one: "
            "levels and residual are not those of that signal. Tell the signal "
            "that was played, with its sample_rate_hz and all other parameters, "
            "or none.",
            channel->set.displaced_bins * bin_hz,
            place->cycles * ratio * channel->sample_rate_hz);
}

bool multitone_figures(const struct multitone_channel *channel,
                       const struct multitone_request *request, struct report *report,
                       int c, struct problem *problem)
{
    struct multitone_powers powers;
    bool done = multitone_powers_gather(channel, &powers, problem);
    if (done && powers.there_count == 0)
        report_none_all(report, c, REASON_NOT_DETERMINABLE);
    if (done && powers.there_count > 0) {
        report_levels(channel, &powers, report, c);
        report_largest_line(channel, &powers, report, c);
        report_tones(channel, &powers, report, c);
        report_beyond(channel, request, report, c);
        report_bands(channel, request, &powers, report, c);
        figures_spectrum(report, c, MULTITONE_SERIES_SPECTRUM, &channel->spectrum,
                         channel->window, multitone_pass_bin_hz(channel));
        warn_strange(channel, request, &powers, report);
        warn_displaced(channel, powers.ratio, report);
    }
    multitone_powers_free(&powers);
    return done;
}
