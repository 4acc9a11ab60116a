#include "analysis/measurements/intermodulation_figures.h"

#include <math.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/intermodulation_powers.h"
#include "analysis/measurements/intermodulation_tables.h"

enum { PARTS_MAX = 4 };

/* A figure in decibels, and in percent right behind it in the table. */
struct sum_figure {
    int figure;
    double reference; /* times the amplitude of the upper tone */
    bool modulation;  /* else a difference frequency */
    struct {
        int a, b, group;
    } parts[PARTS_MAX];
    int count;
};

/* Within a group amplitudes are added; groups as root of the sum of squares. */
static const struct sum_figure sum_figures[] = {
    {FIGURE_MODULATION_DISTORTION,
     1,
     true,
     {{-1, 1, 0}, {1, 1, 0}, {-2, 1, 1}, {2, 1, 1}},
     4},
    {FIGURE_MODULATION_DISTORTION_RSS,
     1,
     true,
     {{-1, 1, 0}, {1, 1, 1}, {-2, 1, 2}, {2, 1, 3}},
     4},
    {FIGURE_DIFFERENCE_SECOND, 2, false, {{-1, 1, 0}}, 1},
    {FIGURE_DIFFERENCE_THIRD, 2, false, {{2, -1, 0}, {-1, 2, 0}}, 2},
    {FIGURE_DIFFERENCE_TOTAL, 2, false, {{-1, 1, 0}, {2, -1, 1}, {-1, 2, 1}}, 3},
};

enum { SUM_FIGURES = sizeof sum_figures / sizeof *sum_figures };

struct view {
    const struct intermodulation_channel *channel;
    struct intermodulation_powers powers;
    double level_ratio_db, nyquist_bins;
    bool modulates, close;
    struct report *report;
    int c;
};

static void report_tones(const struct view *view)
{
    const struct intermodulation_powers *p = &view->powers;
    struct report *report = view->report;
    int c = view->c;
    double amplitude[2], half[2];
    for (int t = 0; t < 2; t++) {
        report_value(report, c, FIGURE_FREQUENCY_1 + t, p->hz[t], p->hz_u95[t]);
        figures_level(report, c, FIGURE_LEVEL_1 + t, p->tone[t]);
        amplitude[t] = sqrt(2 * p->tone[t].mean);
        half[t] = amplitude[t] * p->tone[t].u95 / p->tone[t].mean / 2;
    }
    figures_ratio_db(report, c, FIGURE_LEVEL_RATIO, p->tone_ratio, p->tone_ratio_u95, 1);
    double sum = amplitude[0] + amplitude[1];
    figures_ratio_db(report, c, FIGURE_PEAK_LEVEL, sum * sum,
                     2 * sum * (half[0] + half[1]), 1);
}

static void report_sum(struct report *report, int c, const struct sum_figure *figure,
                       const struct intermodulation_sum *sum)
{
    int db = figure->figure, percent = db + 1;
    double value = sum->value / figure->reference, half = sum->u95 / figure->reference;
    double highest = sum->highest / figure->reference;
    if (sum->counted == 0) {
        report_none(report, c, db, REASON_ABOVE_BAND);
        report_none(report, c, percent, REASON_ABOVE_BAND);
    } else if (sum->unclear || !sum->above || value <= half) {
        enum reason reason = sum->unclear ? REASON_NOT_DETERMINABLE : REASON_BELOW_NOISE;
        report_none_but(report, c, db, reason, 20 * log10(highest));
        report_none_but(report, c, percent, reason, highest > 0 ? 100 * highest : NAN);
    } else {
        /* As powers: the lower end is (value − half)². */
        double ratio = value * value, less = half * (2 * value - half);
        figures_ratio_db(report, c, db, ratio, less, 1);
        figures_ratio_percent(report, c, percent, ratio, less);
    }
}

static void report_sums(const struct view *view)
{
    for (int f = 0; f < SUM_FIGURES; f++) {
        const struct sum_figure *figure = &sum_figures[f];
        struct intermodulation_part parts[PARTS_MAX];
        if (!(figure->modulation ? view->modulates : view->close)) {
            for (int i = 0; i < 2; i++)
                report_none(view->report, view->c, figure->figure + i,
                            REASON_NOT_DETERMINABLE);
            continue;
        }
        for (int i = 0; i < figure->count; i++)
            parts[i] = (struct intermodulation_part){
                intermodulation_products_index(figure->parts[i].a, figure->parts[i].b),
                figure->parts[i].group};
        struct intermodulation_sum sum = intermodulation_powers_sum(
            &view->powers, parts, figure->count, view->nyquist_bins);
        report_sum(view->report, view->c, figure, &sum);
    }
}

/* The figure that a product is a part of: of those that share it the first in the table.
 */
static const char *counted_in(const struct view *view, int product)
{
    const struct intermodulation_place *place = &view->powers.product[product].place;
    if (!intermodulation_powers_counts(place, view->nyquist_bins))
        return NULL;
    for (int f = 0; f < SUM_FIGURES; f++)
        for (int i = 0; i < sum_figures[f].count; i++)
            if ((sum_figures[f].modulation ? view->modulates : view->close) &&
                intermodulation_products_index(sum_figures[f].parts[i].a,
                                               sum_figures[f].parts[i].b) == product)
                return intermodulation_tables_figures[sum_figures[f].figure].name;
    return NULL;
}

static void report_products(const struct view *view)
{
    double bin_hz = intermodulation_pass_bin_hz(view->channel);
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
        const struct intermodulation_power *power = &view->powers.product[i];
        const struct intermodulation_place *place = &power->place;
        bool has_bound = !power->above && !place->at_edge && !place->coincides_with;
        struct report_cell cells[] = {
            report_word(place->expression),
            report_number(intermodulation_products_order(&intermodulation_products[i])),
            report_number(place->bin * bin_hz),
            report_number(power->above ? decibel_from_power(power->ratio) : NAN),
            report_number(power->above ? figures_db_u95(power->u95 / power->ratio) : NAN),
            report_boolean(power->above),
            report_boolean(place->aliased),
            report_number(has_bound ? decibel_from_power(power->highest) : NAN),
            report_word(place->coincides_with),
            report_word(counted_in(view, i)),
        };
        report_row(view->report, view->c, LIST_PRODUCTS, cells);
    }
}

static const char *third_counts(const struct view *view)
{
    if (!view->close)
        return NULL;
    bool lower = counted_in(view, intermodulation_products_index(2, -1));
    bool upper = counted_in(view, intermodulation_products_index(-1, 2));
    if (lower && upper)
        return "2f1-f2 and 2f2-f1";
    return lower ? "2f1-f2" : NULL;
}

void intermodulation_figures(const struct intermodulation_channel *channel,
                             struct report *report, int c, const char **ret_kind)
{
    struct view view = {.channel = channel,
                        .nyquist_bins = channel->plan.length / 2.0,
                        .report = report,
                        .c = c};
    intermodulation_powers_gather(channel, &view.powers);
    view.level_ratio_db = decibel_from_power(view.powers.tone_ratio);
    view.modulates = intermodulation_pair_modulates(view.powers.hz);
    view.close = intermodulation_pair_is_close(view.powers.hz, view.level_ratio_db);
    *ret_kind = intermodulation_pair_kind(view.powers.hz, view.level_ratio_db);
    figures_span(report, c, &channel->plan, channel->sample_rate_hz);
    report_tones(&view);
    report_sums(&view);
    report_products(&view);
    report_say(report, c, FINDING_KIND, *ret_kind);
    report_say(report, c, FINDING_DIFFERENCE_THIRD_COUNTS, third_counts(&view));
    figures_spectrum(report, c, SERIES_SPECTRUM, &channel->spectrum, channel->window,
                     intermodulation_pass_bin_hz(channel));
}
