#include "analysis/measurements/jitter_figures.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/jitter_lines.h"
#include "analysis/measurements/jitter_sum.h"
#include "analysis/measurements/jitter_tables.h"

enum { LISTED_LINES = 40, SUMMED_LINES = 256 };

struct view {
    const struct jitter_channel *channel;
    const struct jitter_request *request;
    struct jitter_lines lines;
    double carrier_hz, bin_hz;
};

/* A sideband of amplitude s belongs to a phase of peak β, J1(β)/J0(β) = s: 2·s where it
 * is small, else the first terms of that turned round, good to 2e-4 up to s = ¼. */
static double jitter_peak(const struct view *view, double sideband_power)
{
    double square = fmax(sideband_power, 0);
    double less = 1 + square * (square * 5 / 12 - 0.5);
    return sqrt(square) * less / (M_PI * view->carrier_hz);
}

static void report_carrier(const struct view *view, struct report *report, int c)
{
    const struct jitter_channel *channel = view->channel;
    const double pattern_within = 1e-3; /* of a quarter of the playback rate */
    struct tone_track_result tone = tone_track_result(&channel->track);
    double rate = channel->sample_rate_hz, nominal = view->request->frequency_hz;
    double quarter = view->request->playback_rate_hz / 4;
    report_value(report, c, FIGURE_CARRIER_FREQUENCY, view->carrier_hz,
                 tone.cycles_u95 * rate);
    figures_level(report, c, FIGURE_CARRIER_LEVEL,
                  (struct power){moments_mean_x(&channel->carrier),
                                 moments_u95(&channel->carrier)});
    bool has_quarter = view->request->playback_told || channel->known.bits > 0;
    if (nominal <= 0 && has_quarter &&
        fabs(view->carrier_hz - quarter) <= pattern_within * quarter)
        nominal = quarter;
    if (nominal > 0)
        report_value(report, c, FIGURE_CLOCK_OFFSET,
                     (view->carrier_hz - nominal) / nominal * 1e6,
                     tone.cycles_u95 * rate / nominal * 1e6);
    else
        report_none(report, c, FIGURE_CLOCK_OFFSET, REASON_NO_REFERENCE);
}

/* Beyond −12 dBc a phase turns by so much that its sidebands are no longer its own. */
static const double largest = 1 / 16.0;

/* What the phase of a line that is no jitter cannot exceed: of one that is added, what
 * its weaker side may be. */
static double hidden_in(const struct jitter_line *line)
{
    const struct power *weak =
        line->upper.mean < line->lower.mean ? &line->upper : &line->lower;
    return fmin(fmax(line->phase.mean, 0) + line->phase.u95,
                fmax(weak->mean, 0) + weak->u95);
}

/* What a line of phase modulation that was not found cannot exceed: the highest bin of
 * the phase spectrum, and what lines other than the pattern's may hide. */
static double hidden_power(const struct view *view)
{
    const struct demodulate *demodulate = &view->channel->demodulate;
    const struct jitter_lines *lines = &view->lines;
    double highest = 0;
    int next = 0;
    for (int j = JITTER_LINES_FIRST; j <= demodulate->reach; j++) {
        while (next < lines->excluded_count && lines->excluded[next].last < j)
            next++;
        if (next == lines->excluded_count || j < lines->excluded[next].first)
            highest = fmax(highest, demodulate->phase.sum[j]);
    }
    double power =
        figures_hidden_line(view->channel->window, highest, demodulate->phase.segments);
    for (int i = 0; i < lines->count; i++)
        if (lines->lines[i].origin != JITTER_TEST_PATTERN)
            power = fmax(power, hidden_in(&lines->lines[i]));
    return power;
}

static void report_no_sideband(const struct view *view, struct report *report, int c)
{
    double power = hidden_power(view), peak = jitter_peak(view, power);
    report_none(report, c, FIGURE_WORST_SIDEBAND_OFFSET, REASON_BELOW_NOISE);
    if (power > 0) {
        report_bound(report, c, FIGURE_WORST_SIDEBAND, decibel_from_power(power));
        report_bound(report, c, FIGURE_JITTER_PEAK_TO_PEAK, 2 * peak);
        report_bound(report, c, FIGURE_JITTER_RMS, peak / M_SQRT2);
    } else {
        report_none(report, c, FIGURE_WORST_SIDEBAND, REASON_BELOW_NOISE);
        report_none(report, c, FIGURE_JITTER_PEAK_TO_PEAK, REASON_BELOW_NOISE);
        report_none(report, c, FIGURE_JITTER_RMS, REASON_BELOW_NOISE);
    }
}

/* In a recording so short the pattern cannot be told from jitter. */
static bool pattern_is_unknown(const struct view *view)
{
    return view->request->look_for_pattern && view->channel->known.farthest >= 1 &&
           view->channel->known.segments < JITTER_KNOWN_SEGMENTS;
}

/* The lines that are jitter: the worst, and what they add up to. */
static bool report_jitter(const struct view *view, struct report *report, int c,
                          struct problem *problem)
{
    const struct jitter_line *worst = NULL;
    if (pattern_is_unknown(view)) {
        for (int i = FIGURE_WORST_SIDEBAND; i <= FIGURE_JITTER_RMS; i++)
            report_none(report, c, i, REASON_NOT_ENOUGH_DATA);
        return true;
    }
    struct jitter_component *components = malloc(SUMMED_LINES * sizeof *components);
    double squares = 0, square_u95 = 0, peak_u95 = 0, peak_to_peak = 0;
    int count = 0;
    if (!components)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for %d sidebands.", SUMMED_LINES);
    for (int i = 0; i < view->lines.count; i++) {
        const struct jitter_line *line = &view->lines.lines[i];
        if (!jitter_lines_is_jitter(line))
            continue;
        double peak = jitter_peak(view, line->phase.mean);
        double half = peak * line->phase.u95 / line->phase.mean / 2;
        if (!worst || line->phase.mean > worst->phase.mean)
            worst = line;
        squares += peak * peak / 2;
        square_u95 = hypot(square_u95, peak * half);
        peak_u95 = hypot(peak_u95, 2 * half);
        if (count < SUMMED_LINES && cabs(line->phasor) > 0)
            components[count++] = (struct jitter_component){
                line->bin * view->bin_hz, peak * line->phasor / cabs(line->phasor)};
    }
    bool done = !worst || jitter_sum_peak_to_peak(components, count, 1 / view->bin_hz,
                                                  &peak_to_peak, problem);
    free(components);
    if (!done)
        return false;
    if (!worst) {
        report_no_sideband(view, report, c);
        return true;
    }
    report_value(report, c, FIGURE_WORST_SIDEBAND, decibel_from_power(worst->phase.mean),
                 figures_db_u95(worst->phase.u95 / worst->phase.mean));
    report_value(report, c, FIGURE_WORST_SIDEBAND_OFFSET, worst->bin * view->bin_hz, NAN);
    if (worst->phase.mean > largest) {
        report_none(report, c, FIGURE_JITTER_PEAK_TO_PEAK, REASON_NOT_DETERMINABLE);
        report_none(report, c, FIGURE_JITTER_RMS, REASON_NOT_DETERMINABLE);
        return true;
    }
    report_value(report, c, FIGURE_JITTER_PEAK_TO_PEAK, peak_to_peak, peak_u95);
    report_value(report, c, FIGURE_JITTER_RMS, sqrt(squares),
                 square_u95 / (2 * sqrt(squares)));
    return true;
}

/* Noise of one part in a band, lines cut out and the noise under them restored; the
 * half-width from the scatter of each bin over segments. */
static struct power noise_in(const struct view *view, const struct spectrum *spectrum,
                             struct bins band)
{
    const struct jitter_lines *lines = &view->lines;
    const struct powers_view powers = {spectrum, view->channel->window, lines->excluded,
                                       lines->excluded_count};
    const struct powers_cut cut = {lines->excluded, lines->excluded_count, {0, -1}};
    struct power noise = powers_restored(&powers, &cut, band, NULL);
    double variance = 0, segments = spectrum->segments;
    int next = 0;
    for (int j = band.first; j <= band.last; j++) {
        while (next < lines->excluded_count && lines->excluded[next].last < j)
            next++;
        if (next < lines->excluded_count && j >= lines->excluded[next].first)
            continue;
        variance += spectrum->sum_squares[j] - spectrum->sum[j] * spectrum->sum[j];
    }
    variance *= view->channel->window->correlated_bins / (segments - 1);
    noise.mean += powers_sum_outside(spectrum->sum, lines->excluded,
                                     lines->excluded_count, band, NULL);
    noise.u95 = hypot(noise.u95, 2 * sqrt(fmax(variance, 0)));
    return noise;
}

static struct bins offset_band(const struct view *view)
{
    const struct jitter_request *request = view->request;
    struct bins band = {(int)ceil(request->offset_band_hz[0] / view->bin_hz),
                        (int)floor(request->offset_band_hz[1] / view->bin_hz)};
    return bins_within(
        band, (struct bins){JITTER_LINES_FIRST, view->channel->demodulate.reach});
}

/* The sidebands' noise stands on both sides: the phase's mean square is twice the sum. */
static double jitter_of_noise(const struct view *view, double power)
{
    return sqrt(2 * power) / (2 * M_PI * view->carrier_hz);
}

/* Of the noise beside a carrier at a quarter of the sample rate, what jitter faster than
 * that carrier leaves is folded back upon slower jitter's sidebands: as phase or as
 * amplitude, by the phase in which the carrier is sampled. Where that turns past, both
 * get the same and the difference is right; the less it turns, the larger the share that
 * may be missing or too much. */
static double folded_share(const struct view *view)
{
    const struct jitter_channel *channel = view->channel;
    const struct segment_plan *plan = &channel->plan;
    double frames = (double)((plan->count - 1) * plan->hop + plan->length);
    double cycles = tone_track_result(&channel->track).cycles;
    double share = 1 / (M_PI * fabs(4 * cycles - 1) * frames);
    return share < 1 ? share / (1 - share) : INFINITY;
}

static void report_random(const struct view *view, struct report *report, int c)
{
    const struct demodulate *demodulate = &view->channel->demodulate;
    struct bins band = offset_band(view);
    if (bins_width(band) == 0) {
        report_none(report, c, FIGURE_RANDOM_JITTER_RMS, REASON_ABOVE_BAND);
        return;
    }
    if (demodulate->phase.segments < 3) {
        report_none(report, c, FIGURE_RANDOM_JITTER_RMS, REASON_NOT_ENOUGH_DATA);
        return;
    }
    struct power phase = noise_in(view, &demodulate->phase, band),
                 amplitude = noise_in(view, &demodulate->amplitude, band);
    double excess = phase.mean - amplitude.mean;
    double half = hypot(hypot(phase.u95, amplitude.u95), excess * folded_share(view));
    double value = jitter_of_noise(view, fmax(excess, 0));
    if (excess > half)
        report_value(report, c, FIGURE_RANDOM_JITTER_RMS, value,
                     value - jitter_of_noise(view, excess - half));
    else
        report_bound(report, c, FIGURE_RANDOM_JITTER_RMS,
                     jitter_of_noise(view, phase.mean + phase.u95));
}

static double shown_db(bool shown, struct power power)
{
    return shown && power.mean > 0 ? decibel_from_power(power.mean) : NAN;
}

static void report_sidebands(const struct view *view, struct report *report, int c)
{
    static const char *const kinds[] = {"phase", "amplitude", "mixed", "additive"};
    static const char *const origins[] = {"mains", "test_pattern", "usb_frame",
                                          "unknown"};
    for (int i = 0; i < view->lines.count && i < LISTED_LINES; i++) {
        const struct jitter_line *line = &view->lines.lines[i];
        bool jitter = jitter_lines_is_jitter(line);
        bool added = line->has_kind && line->kind == JITTER_ADDITIVE;
        struct power strong =
            line->upper.mean > line->lower.mean ? line->upper : line->lower;
        if (jitter)
            strong = line->phase;
        struct report_cell cells[] = {
            report_number(line->bin * view->bin_hz),
            report_number(shown_db(line->lower.mean > line->lower.u95, line->lower)),
            report_number(shown_db(line->upper.mean > line->upper.u95, line->upper)),
            report_number(shown_db(line->has_phase && !added, line->phase)),
            report_number(shown_db(line->has_amplitude && !added, line->amplitude)),
            report_number(figures_db_u95(strong.u95 / strong.mean)),
            report_number(jitter && line->phase.mean <= largest
                              ? jitter_peak(view, line->phase.mean)
                              : NAN),
            report_word(line->has_kind ? kinds[line->kind] : NULL),
            report_word(origins[line->origin]),
        };
        report_row(report, c, LIST_SIDEBANDS, cells);
    }
}

static void report_spectrum(const struct view *view, struct report *report, int c)
{
    const struct demodulate *demodulate = &view->channel->demodulate;
    const struct window *window = view->channel->window;
    int points = demodulate->reach + 1;
    double scale = spectrum_peak_factor(window);
    struct report_series series = {
        .y = malloc((size_t)points * sizeof(float)),
        .points = (size_t)points,
        .x_start = 0,
        .x_step = view->bin_hz,
        .resolution_bandwidth_hz = window->enbw_bins * view->bin_hz,
    };
    for (int j = 0; series.y && j < points; j++)
        series.y[j] = (float)decibel_from_power(scale * demodulate->phase.sum[j]);
    report_series(report, c, SERIES_PHASE_MODULATION, &series);
}

/* The lines of a pattern of other bits than told are no jitter either. */
static void warn_of_bits(const struct view *view, struct report *report, int c)
{
    int told = (int)view->request->pattern_bits, found = view->channel->known.bits;
    if (told > 0 && found > 0 && told != found)
        report_warn(report, "wrong_signal", report->channels[c].channel,
                    "The pattern of %d bits was told, but what is recorded has the lines "
                    "of %d bits, which are taken away instead. Play it bit-true: without "
                    "volume control, dither or a change of format.",
                    told, found);
}

bool jitter_figures(struct jitter_channel *channel, const struct jitter_request *request,
                    struct report *report, int c, struct problem *problem)
{
    struct view view = {.channel = channel,
                        .request = request,
                        .carrier_hz = tone_track_result(&channel->track).cycles *
                                      channel->sample_rate_hz,
                        .bin_hz = jitter_bin_hz(channel)};
    jitter_known_decide(&channel->known);
    warn_of_bits(&view, report, c);
    bool done = jitter_lines_find(channel, &view.lines, problem) &&
                report_jitter(&view, report, c, problem);
    if (done) {
        report_carrier(&view, report, c);
        report_random(&view, report, c);
        report_sidebands(&view, report, c);
        report_spectrum(&view, report, c);
    }
    jitter_lines_free(&view.lines);
    return done;
}
