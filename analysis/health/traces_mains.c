#include "analysis/health/traces_mains.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/dsp/lines.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    LINES = TRACES_MAINS_LINES,
    MULTIPLES = 20, /* that hum may have */
    FEWEST_LINES = 2,
    FEWEST_LINES_ALONE = 3,
    HIGHEST_HZ = 340, /* what lies around the lines */
};

static const double wander = 0.002; /* of a grid's frequency */

struct family {
    int base_hz, count, strongest; /* index of the strongest */
    bool found[LINES];
    struct line lines[LINES]; /* of multiple 1…5 */
    double power;
};

static double bin_hz(const struct traces_view *view)
{
    return (double)view->sample_rate_hz / view->length;
}

int traces_mains_scatter_bins(int sample_rate_hz, int length)
{
    return (int)(HIGHEST_HZ * (double)length / sample_rate_hz) + LOBE;
}

bool traces_mains_is_multiple(double hz)
{
    const double highest_hz = 1000;
    for (int base = 50; base <= 60; base += 10) {
        double m = round(hz / base);
        if (m >= 1 && hz < highest_hz && fabs(hz - m * base) <= wander * m * base + 0.1)
            return true;
    }
    return false;
}

static bool in_family(double hz, int base_hz)
{
    double m = round(hz / base_hz);
    return m >= 1 && m <= LINES && fabs(hz - m * base_hz) <= wander * m * base_hz;
}

/* Whether a tone dominates that is not of this family itself. */
static bool has_other_tone(const struct traces_view *view, int base_hz)
{
    return !isnan(view->tone.bin) && !in_family(view->tone.bin * bin_hz(view), base_hz);
}

/* Whether such a tone or one of its multiples reaches a bin. */
static bool tone_reaches(const struct traces_view *view, int base_hz, double bin)
{
    enum { HIGHEST_ORDER = 100 };
    if (!has_other_tone(view, base_hz))
        return false;
    if (bin >= view->tone.lobe.first - LOBE && bin <= view->tone.lobe.last + LOBE)
        return true;
    for (int k = 2; k <= HIGHEST_ORDER; k++)
        if (fabs(traces_tone_folded(k * view->tone.bin, view->length) - bin) <= LOBE)
            return true;
    return false;
}

/* There all the time: a sweep that passes by is not. */
static bool is_steady(const struct spectrum *mean, int bin)
{
    const double most = 0.3; /* variance over mean²; 1 when there half of the time */
    double power = mean->sum[bin];
    return bin < mean->scatter_bins &&
           mean->sum_squares[bin] < (1 + most) * power * power;
}

static bool find_line(const struct traces_view *view, int base_hz, int m,
                      struct line *ret)
{
    const double prominence = 10, place_bins = 0.1;
    double bin = m * base_hz / bin_hz(view), reach = wander * bin + place_bins;
    struct bins range = {(int)floor(bin - reach), (int)ceil(bin + reach)};
    double threshold = statistics_line_threshold(view->mean->segments, 5.0 * 2 * LINES);
    return range.first > 2 * LOBE && !tone_reaches(view, base_hz, bin) &&
           lines_at(view->mean, range, fmax(threshold, prominence), ret) &&
           fabs(ret->bin - bin) <= reach && is_steady(view->mean, ret->peak);
}

/* Lines at exact multiples of what the strongest says. */
static void find_family(const struct traces_view *view, int base_hz, struct family *ret)
{
    const double place_bins = 0.3;
    *ret = (struct family){.base_hz = base_hz, .strongest = -1};
    for (int i = 0; i < LINES; i++) {
        ret->found[i] = find_line(view, base_hz, i + 1, &ret->lines[i]);
        if (ret->found[i] && (ret->strongest < 0 ||
                              ret->lines[i].power > ret->lines[ret->strongest].power))
            ret->strongest = i;
    }
    for (int i = 0; i < LINES && ret->strongest >= 0; i++) {
        double bin = ret->lines[ret->strongest].bin * (i + 1) / (ret->strongest + 1);
        ret->found[i] = ret->found[i] && fabs(ret->lines[i].bin - bin) <= place_bins;
        if (!ret->found[i])
            continue;
        ret->count++;
        ret->power += ret->lines[i].power;
    }
}

static bool family_reaches(const struct family *family, int bin)
{
    const struct line *strongest = &family->lines[family->strongest];
    double step = strongest->bin / (family->strongest + 1), m = round(bin / step);
    return m >= 1 && m <= MULTIPLES && fabs(bin - m * step) <= LOBE + 1;
}

/* Whether something else up to `highest_hz` is stronger than that share of the second of
 * them. */
static bool has_rival(const struct traces_view *view, const struct family *family,
                      double highest_hz, double share)
{
    const double lowest_hz = 25;
    double second = 0;
    for (int i = 0; i < LINES; i++)
        if (family->found[i] && i != family->strongest)
            second = fmax(second, view->mean->sum[family->lines[i].peak]);
    int first = (int)(lowest_hz / bin_hz(view)), last = (int)(highest_hz / bin_hz(view));
    for (int j = first > LOBE ? first : LOBE + 1; j <= last; j++)
        if (view->mean->sum[j] > share * second && !family_reaches(family, j) &&
            !tone_reaches(view, family->base_hz, j))
            return true;
    return false;
}

/* Whether the lines go on as strong between 1 and 2 kHz: impulses, bursts, products of a
 * multitone on such a grid. */
static bool goes_on(const struct traces_view *view, const struct family *family)
{
    const double weaker = 100; /* 20 dB */
    int strong = 0, looked_at = 0;
    double at = view->mean->sum[family->lines[family->strongest].peak];
    double step = family->lines[family->strongest].bin / (family->strongest + 1);
    for (int m = 1000 / family->base_hz; m <= 2000 / family->base_hz; m++, looked_at++) {
        int bin = (int)lround(m * step);
        if (bin + 1 < view->mean->bins)
            strong += fmax(view->mean->sum[bin],
                           fmax(view->mean->sum[bin - 1], view->mean->sum[bin + 1])) >
                      at / weaker;
    }
    return 2 * strong > looked_at;
}

/* Lines that may be all that was played: hum of an idle device is odd and even, and rich,
 * and there is nothing else. */
static bool is_rich_hum(const struct traces_view *view, const struct family *family)
{
    const double loudest = dbfs_to_mean_square(-50), reach = 1e-3; /* 30 dB */
    double strongest = family->lines[family->strongest].power;
    int odd = 0, even = 0;
    for (int i = 0; i < LINES; i++)
        if (family->found[i] && family->lines[i].power > reach * strongest) {
            odd += i % 2 == 0;
            even += i % 2;
        }
    return strongest < loudest && odd > 0 && even > 0 &&
           odd + even >= FEWEST_LINES_ALONE &&
           !has_rival(view, family, 0.49 * view->sample_rate_hz, 0.1);
}

static bool is_mains(const struct traces_view *view, const struct family *family)
{
    const double least = dbfs_to_mean_square(-90), far_below = 1e-4; /* 40 dB */
    if (family->count < FEWEST_LINES || family->power < least ||
        has_rival(view, family, HIGHEST_HZ, 1) || goes_on(view, family))
        return false;
    if (in_family(view->nominal_hz, family->base_hz))
        return false;
    if (has_other_tone(view, family->base_hz))
        return true;
    double total =
        spectrum_sum(view->mean->sum, (struct bins){LOBE + 1, view->mean->bins - 1});
    if (family->power < far_below * total)
        return true;
    return !isnan(view->nominal_hz) || is_rich_hum(view, family);
}

bool traces_mains_find(const struct traces_view *view, struct traces_mains *ret)
{
    const double coarsest_hz = 2;
    struct family families[2];
    if (bin_hz(view) > coarsest_hz || view->sample_rate_hz < 2 * 2100)
        return false;
    find_family(view, 50, &families[0]);
    find_family(view, 60, &families[1]);
    const struct family *family = &families[families[1].power > families[0].power];
    if (!is_mains(view, family))
        return false;
    *ret = (struct traces_mains){
        .base_hz = family->base_hz,
        .frequency_hz =
            family->lines[family->strongest].bin * bin_hz(view) / (family->strongest + 1),
        .power = family->power,
        .lines = family->count,
        .strongest = family->strongest + 1,
        .below_tone = has_other_tone(view, family->base_hz),
    };
    return true;
}
