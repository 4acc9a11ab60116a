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

/* From which rate to which; frequencies are folded at half of the latter. */
struct path {
    const struct traces_view *view;
    int source_hz, target_hz;
    double target_bins; /* the latter, in bins */
    double threshold;   /* of a line over its surroundings */
};

struct pair {
    struct line lines[2]; /* m·fs1 − f and m·fs1 + f, as they lie */
    double centre;        /* in bins, from both */
};

/* |m·fs1| folded at half of the target: exact, all are whole numbers of Hz. */
static int centre_hz(const struct path *path, int m)
{
    int rest = (int)((int64_t)m * path->source_hz % path->target_hz);
    return rest > path->target_hz / 2 ? path->target_hz - rest : rest;
}

static double bins_of(const struct path *path, double hz)
{
    return hz * path->target_bins / path->target_hz;
}

static double hz_of(const struct path *path, double bin)
{
    return bin * path->target_hz / path->target_bins;
}

/* Folded where the converter's samples fold it, or the recorder's. */
static bool is_harmonic(const struct path *path, double bin, int folded_orders,
                        double near_bins)
{
    double tone = path->view->tone.bin, order = round(bin / tone);
    if (fabs(order * tone - bin) <= near_bins)
        return true;
    for (int k = 2; k <= folded_orders; k++)
        if (fabs(traces_tone_folded(k * tone, path->target_bins) - bin) <= near_bins ||
            fabs(traces_tone_folded(k * tone, path->view->length) - bin) <= near_bins)
            return true;
    return false;
}

static bool find_image(const struct path *path, double bin, double reach,
                       struct line *ret)
{
    const double least = 1e-11; /* −110 dBc */
    const struct traces_view *view = path->view;
    struct bins range = {(int)ceil(bin - reach - 1), (int)floor(bin + reach + 1)};
    if (range.first <= 2 * LOBE || range.last >= view->mean->bins - 2 * LOBE ||
        (range.first <= view->tone.lobe.last && range.last >= view->tone.lobe.first))
        return false;
    return lines_at(view->mean, range, path->threshold, ret) &&
           ret->power > least * view->tone.power &&
           !is_harmonic(path, ret->bin, HARMONICS_FOLDED, LOBE) &&
           !is_harmonic(path, ret->bin, HARMONICS_FEARED, 2 * place_bins) &&
           !traces_mains_is_multiple(hz_of(path, ret->bin));
}

/* The pair about m·fs1, if both lines are there and agree about its centre. Below it is
 * the line that lies lower before it is folded at 0 or at half the rate. */
static bool find_pair(const struct path *path, int m, struct pair *ret)
{
    int folds = centre_hz(path, m);
    double centre = bins_of(path, folds), tone = path->view->tone.bin;
    double reach = clocks * centre + place_bins, whole = path->target_bins;
    struct line below, above;
    bool turned = (int64_t)m * path->source_hz % path->target_hz != folds;
    if (folds == 0 || !find_image(path, fabs(centre - tone), reach, &below) ||
        !find_image(path, traces_tone_folded(centre + tone, whole), reach, &above))
        return false;
    double from_below = centre > tone ? below.bin + tone : tone - below.bin;
    double from_above =
        centre + tone > whole / 2 ? whole - above.bin - tone : above.bin - tone;
    if (fabs(from_below - from_above) > 2 * place_bins ||
        fabs(from_below - centre) > reach || below.peak == above.peak)
        return false;
    *ret = (struct pair){{turned ? above : below, turned ? below : above},
                         (from_below + from_above) / 2};
    return true;
}

static bool was_folded(const struct path *path, int m)
{
    return (double)m * path->source_hz - hz_of(path, path->view->tone.bin) >
           path->target_hz / 2.0;
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
static bool is_image(const struct path *path, double stretch, double bin)
{
    for (int m = 1; m <= IMAGES_MAX; m++) {
        double centre = stretch * bins_of(path, centre_hz(path, m));
        for (int k = 1; k <= IMAGE_HARMONICS; k++) {
            double away = k * path->view->tone.bin, near = 2 * place_bins * k;
            double below = traces_tone_folded(fabs(centre - away), path->target_bins);
            double above = traces_tone_folded(centre + away, path->target_bins);
            if (fabs(below - bin) <= near || fabs(above - bin) <= near)
                return true;
        }
    }
    return false;
}

/* Many lines as strong as the pair: some of them would fit anything. */
static bool is_alone(const struct path *path, double stretch, double weakest,
                     bool *ret_alone, struct problem *problem)
{
    const double reach = 0.1; /* 10 dB weaker */
    const struct traces_view *view = path->view;
    struct line_search search = {
        {2 * LOBE, view->mean->bins - 2 * LOBE}, view->tone.lobe, reach * weakest / 4};
    struct line_list list;
    int strangers = 0;
    if (!lines_find(view->mean, &search, &list, problem))
        return false;
    for (int i = 0; i < list.count && list.lines[i].power > reach * weakest; i++) {
        double bin = list.lines[i].bin;
        strangers += !is_harmonic(path, bin, HARMONICS_FOLDED, 1) &&
                     !traces_mains_is_multiple(hz_of(path, bin)) &&
                     !is_image(path, stretch, bin);
    }
    lines_free(&list);
    *ret_alone = strangers <= STRANGERS_MAX;
    return true;
}

struct suspect {
    struct path path;
    double strength;    /* power of the first pair */
    struct pair folded; /* the first that was */
    double stretch;
};

static bool suspect_path(const struct path *path, struct suspect *ret)
{
    struct pair first, pair;
    if (path->source_hz == path->target_hz || !find_pair(path, 1, &first))
        return false;
    for (int m = 1; m <= PAIRS_MAX; m++) {
        int folds = centre_hz(path, m);
        if (!was_folded(path, m) || is_ambiguous(folds) || !find_pair(path, m, &pair))
            continue;
        *ret = (struct suspect){*path, first.lines[0].power + first.lines[1].power, pair,
                                pair.centre / bins_of(path, folds)};
        return true;
    }
    return false;
}

/* The likeliest source of what was resampled to `target_hz`. */
static void suspect_target(const struct traces_view *view, int target_hz,
                           struct suspect *strongest)
{
    const double prominence = 20; /* 13 dB */
    double threshold = statistics_line_threshold(view->mean->segments, 1e5);
    struct path path = {
        .view = view,
        .target_hz = target_hz,
        .target_bins = (double)target_hz * view->length / view->sample_rate_hz,
        .threshold = fmax(threshold, prominence),
    };
    for (int i = 0; i < USUAL_RATES; i++) {
        struct suspect suspect;
        path.source_hz = usual_rates_hz[i];
        if (!suspect_path(&path, &suspect) || suspect.strength <= strongest->strength)
            continue;
        /* 44.1 to 48 and 48 to 44.1 kHz fold to the same places. Which it was the levels
         * tell, which fall with the frequency; the recorder's own rate needs no proof. */
        const struct line *lines = suspect.folded.lines;
        if (target_hz == view->sample_rate_hz || lines[0].power > lines[1].power)
            *strongest = suspect;
    }
}

bool traces_images_find(const struct traces_view *view, bool *ret_found,
                        struct traces_images *ret, struct problem *problem)
{
    const int lowest_playback_hz = 44100;
    struct suspect strongest = {.strength = 0};
    *ret_found = false;
    if (isnan(view->tone.bin))
        return true;
    suspect_target(view, view->sample_rate_hz, &strongest);
    for (int i = USUAL_RATES - 1; i >= 0 && strongest.strength <= 0; i--)
        if (usual_rates_hz[i] < view->sample_rate_hz &&
            usual_rates_hz[i] >= lowest_playback_hz)
            suspect_target(view, usual_rates_hz[i], &strongest);
    if (strongest.strength <= 0)
        return true;
    const struct line *lines = strongest.folded.lines;
    if (!is_alone(&strongest.path, strongest.stretch,
                  fmin(lines[0].power, lines[1].power), ret_found, problem))
        return false;
    *ret = (struct traces_images){.source_rate_hz = strongest.path.source_hz,
                                  .target_rate_hz = strongest.path.target_hz};
    for (int i = 0; i < 2; i++) {
        ret->hz[i] = hz_of(&strongest.path, lines[i].bin);
        ret->power[i] = lines[i].power;
    }
    return true;
}
