#include "analysis/health/traces_images.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/lines.h"
#include "analysis/health/traces_mains.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    PAIRS_MAX = 8,         /* multiples of the source rate that are looked at */
    IMAGES_MAX = 8,        /* that explain other lines */
    IMAGE_HARMONICS = 3,   /* of the tone, that have images too */
    HARMONICS_FOLDED = 10, /* that any device may have */
    HARMONICS_FEARED = 40, /* that are never taken for an image */
    STRANGERS_MAX = 4,
};

static const int usual_rates_hz[] = {8000,  11025, 16000,  22050,  32000,  44100, 48000,
                                     88200, 96000, 176400, 192000, 352800, 384000};
enum { USUAL_RATES = sizeof usual_rates_hz / sizeof usual_rates_hz[0] };

static const double clocks = 250e-6; /* how far two clocks lie apart, at most */
static const double place_bins = 0.15;

struct pair {
    struct line lines[2]; /* m·fs1 − f and m·fs1 + f, as they lie */
    double centre;        /* in bins, from both */
};

/* |m·fs1| folded at half of the recording's rate: exact, all are whole numbers of Hz. */
static int centre_hz(int source_hz, int m, int rate_hz)
{
    int rest = (int)((int64_t)m * source_hz % rate_hz);
    return rest > rate_hz / 2 ? rate_hz - rest : rest;
}

static double bins_of(const struct traces_view *view, double hz)
{
    return hz * view->length / view->sample_rate_hz;
}

static bool is_harmonic(const struct traces_view *view, double bin, int folded_orders,
                        double near_bins)
{
    double tone = view->tone.bin, order = round(bin / tone);
    if (fabs(order * tone - bin) <= near_bins)
        return true;
    for (int k = 2; k <= folded_orders; k++)
        if (fabs(traces_tone_folded(k * tone, view->length) - bin) <= near_bins)
            return true;
    return false;
}

static bool find_image(const struct traces_view *view, double bin, double reach,
                       struct line *ret)
{
    const double prominence = 20, least = 1e-11; /* 13 dB, −110 dBc */
    struct bins range = {(int)ceil(bin - reach - 1), (int)floor(bin + reach + 1)};
    double threshold = statistics_line_threshold(view->mean->segments, 1e5);
    if (range.first <= 2 * LOBE || range.last >= view->mean->bins - 2 * LOBE ||
        (range.first <= view->tone.lobe.last && range.last >= view->tone.lobe.first))
        return false;
    return lines_at(view->mean, range, fmax(threshold, prominence), ret) &&
           ret->power > least * view->tone.power &&
           !is_harmonic(view, ret->bin, HARMONICS_FOLDED, LOBE) &&
           !is_harmonic(view, ret->bin, HARMONICS_FEARED, 2 * place_bins) &&
           !traces_mains_is_multiple(ret->bin * view->sample_rate_hz / view->length);
}

/* The pair about m·fs1, if both lines are there and agree about its centre. Below it is
 * the line that lies lower before it is folded at 0 or at half the rate. */
static bool find_pair(const struct traces_view *view, int source_hz, int m,
                      struct pair *ret)
{
    int rate_hz = view->sample_rate_hz, folds = centre_hz(source_hz, m, rate_hz);
    double centre = bins_of(view, folds), tone = view->tone.bin;
    double reach = clocks * centre + place_bins, half = view->length / 2.0;
    struct line below, above;
    bool turned = (int64_t)m * source_hz % rate_hz != folds; /* frequencies fall */
    if (folds == 0 || !find_image(view, fabs(centre - tone), reach, &below) ||
        !find_image(view, traces_tone_folded(centre + tone, view->length), reach, &above))
        return false;
    double from_below = centre > tone ? below.bin + tone : tone - below.bin;
    double from_above =
        centre + tone > half ? view->length - above.bin - tone : above.bin - tone;
    if (fabs(from_below - from_above) > 2 * place_bins ||
        fabs(from_below - centre) > reach || below.peak == above.peak)
        return false;
    *ret = (struct pair){{turned ? above : below, turned ? below : above},
                         (from_below + from_above) / 2};
    return true;
}

static bool was_folded(const struct traces_view *view, int source_hz, int m)
{
    double tone_hz = view->tone.bin * view->sample_rate_hz / view->length;
    return (double)m * source_hz - tone_hz > view->sample_rate_hz / 2.0;
}

/* Other things have their lines about such a centre too. */
static bool is_ambiguous(int folds_hz)
{
    const int bus_hz = 1000;
    for (int i = 0; i < USUAL_RATES; i++)
        if (folds_hz % usual_rates_hz[i] == 0)
            return true;
    return folds_hz % bus_hz == 0;
}

/* Whether an image of the tone or of its first harmonics lies there. `stretch`: what two
 * clocks make of the source's rate. */
static bool is_image(const struct traces_view *view, int source_hz, double stretch,
                     double bin)
{
    for (int m = 1; m <= IMAGES_MAX; m++) {
        double centre =
            stretch * bins_of(view, centre_hz(source_hz, m, view->sample_rate_hz));
        for (int k = 1; k <= IMAGE_HARMONICS; k++) {
            double away = k * view->tone.bin;
            double near = 2 * place_bins * k;
            if (fabs(traces_tone_folded(fabs(centre - away), view->length) - bin) <=
                    near ||
                fabs(traces_tone_folded(centre + away, view->length) - bin) <= near)
                return true;
        }
    }
    return false;
}

/* Many lines as strong as the pair: some of them would fit anything. */
static bool is_alone(const struct traces_view *view, int source_hz, double stretch,
                     double weakest, bool *ret_alone, struct problem *problem)
{
    const double reach = 0.1; /* 10 dB weaker */
    struct line_search search = {
        {2 * LOBE, view->mean->bins - 2 * LOBE}, view->tone.lobe, reach * weakest / 4};
    struct line_list list;
    int strangers = 0;
    if (!lines_find(view->mean, &search, &list, problem))
        return false;
    for (int i = 0; i < list.count && list.lines[i].power > reach * weakest; i++) {
        double bin = list.lines[i].bin, hz = bin * view->sample_rate_hz / view->length;
        strangers += !is_harmonic(view, bin, HARMONICS_FOLDED, 1) &&
                     !traces_mains_is_multiple(hz) &&
                     !is_image(view, source_hz, stretch, bin);
    }
    lines_free(&list);
    *ret_alone = strangers <= STRANGERS_MAX;
    return true;
}

struct suspect {
    int source_hz;
    double strength;    /* power of the first pair */
    struct pair folded; /* the first that was */
    double stretch;
};

static bool suspect_rate(const struct traces_view *view, int source_hz,
                         struct suspect *ret)
{
    struct pair first, pair;
    if (source_hz == view->sample_rate_hz || !find_pair(view, source_hz, 1, &first))
        return false;
    for (int m = 1; m <= PAIRS_MAX; m++) {
        int folds = centre_hz(source_hz, m, view->sample_rate_hz);
        if (!was_folded(view, source_hz, m) || is_ambiguous(folds) ||
            !find_pair(view, source_hz, m, &pair))
            continue;
        *ret = (struct suspect){source_hz, first.lines[0].power + first.lines[1].power,
                                pair, pair.centre / bins_of(view, folds)};
        return true;
    }
    return false;
}

bool traces_images_find(const struct traces_view *view, bool *ret_found,
                        struct traces_images *ret, struct problem *problem)
{
    struct suspect strongest = {0}, suspect;
    *ret_found = false;
    if (isnan(view->tone.bin))
        return true;
    for (int i = 0; i < USUAL_RATES; i++)
        if (suspect_rate(view, usual_rates_hz[i], &suspect) &&
            suspect.strength > strongest.strength)
            strongest = suspect;
    if (strongest.source_hz == 0)
        return true;
    const struct line *lines = strongest.folded.lines;
    if (!is_alone(view, strongest.source_hz, strongest.stretch,
                  fmin(lines[0].power, lines[1].power), ret_found, problem))
        return false;
    *ret = (struct traces_images){.source_rate_hz = strongest.source_hz};
    for (int i = 0; i < 2; i++) {
        ret->hz[i] = lines[i].bin * view->sample_rate_hz / view->length;
        ret->power[i] = lines[i].power;
    }
    return true;
}
