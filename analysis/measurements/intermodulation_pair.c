#include "analysis/measurements/intermodulation_pair.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/intermodulation_products.h"

static const double search_share = 0.01; /* of a frequency, on each side */
static const double closest = 1.5;       /* f2 to f1 of a difference-frequency pair */
static const double margin = 1e-4;       /* what is a ratio exactly reads a little else */

bool intermodulation_pair_modulates(const double hz[2])
{
    const double farthest = 8;
    return hz[1] >= farthest * (1 - margin) * hz[0];
}

bool intermodulation_pair_is_close(const double hz[2], double level_ratio_db)
{
    const double most_db = 6;
    return hz[1] < closest * (1 - margin) * hz[0] && fabs(level_ratio_db) <= most_db;
}

const char *intermodulation_pair_kind(const double hz[2], double level_ratio_db)
{
    static const struct {
        const char *kind;
        double hz[2];
    } kinds[] = {{"smpte", {60, 7000}}, {"din", {250, 8000}}};
    const double within = 0.01, four_to_one_db = 12.04, within_db = 3;
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++)
        if (fabs(hz[0] / kinds[i].hz[0] - 1) <= within &&
            fabs(hz[1] / kinds[i].hz[1] - 1) <= within &&
            fabs(level_ratio_db - four_to_one_db) <= within_db)
            return kinds[i].kind;
    return intermodulation_pair_is_close(hz, level_ratio_db) ? "difference-frequency"
                                                             : "pair";
}

static bool is_multiple(double low, double high, double most, int length)
{
    const double within_bins = 0.2;
    double times = round(high / low);
    return times <= most && fabs(high - times * low) * length <= within_bins;
}

/* Of one of the two: a clipped low tone has many harmonics that outweigh the upper one.
 */
static bool is_harmonic(double one, double other, int length)
{
    const double most = 10;
    return is_multiple(fmin(one, other), fmax(one, other), most, length);
}

static bool is_product(const double cycles[2], double other, int length)
{
    const double within_bins = 2, most = 50;
    double bins[2] = {cycles[0] * length, cycles[1] * length};
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++)
        if (fabs(
                intermodulation_products_bin(&intermodulation_products[i], bins, length) -
                other * length) <= within_bins)
            return true;
    return is_multiple(cycles[0], other, most, length);
}

static double level_db(const struct tone_fit *tone)
{
    return decibel_from_power(cabs(tone->phasor) * cabs(tone->phasor));
}

static void take(struct intermodulation_pair *pair, const struct tone_fit *one,
                 const struct tone_fit *other, int sample_rate_hz)
{
    const struct tone_fit *low = one->cycles < other->cycles ? one : other;
    const struct tone_fit *high = low == one ? other : one;
    pair->cycles[0] = low->cycles;
    pair->cycles[1] = high->cycles;
    for (int i = 0; i < 2; i++)
        pair->hz[i] = pair->cycles[i] * sample_rate_hz;
}

/* The strongest but the first that is no harmonic, 20 dB down at most; without one, a
 * harmonic; 0: there is nothing. */
static int second_of(const struct tone_fit *found, int count, int length)
{
    const double weakest_db = 20;
    int harmonic = 0;
    for (int i = count - 1; i > 0; i--)
        if (level_db(&found[i]) >= level_db(&found[0]) - weakest_db)
            harmonic = i;
    for (int i = 1; i < count; i++)
        if (level_db(&found[i]) >= level_db(&found[0]) - weakest_db &&
            !is_harmonic(found[0].cycles, found[i].cycles, length))
            return i;
    return harmonic;
}

/* A tone too many, 10 dB below the weaker one at most; 0: there is none. */
static int rival_of(const struct tone_fit *found, int count, int second,
                    const double cycles[2], int length)
{
    const double rival_db = 10;
    for (int i = 1; i < count; i++)
        if (i != second && level_db(&found[i]) > level_db(&found[second]) - rival_db &&
            !is_product(cycles, found[i].cycles, length))
            return i;
    return 0;
}

/* From the strongest tones, the strongest first. */
static void choose(const struct tone_search *search, bool close,
                   const struct tone_fit *found, int count,
                   struct intermodulation_pair *pair)
{
    int rate = search->sample_rate_hz, length = search->length;
    int second = second_of(found, count, length);
    pair->fault = count == 0 ? PAIR_NO_TONE : PAIR_ONE_TONE;
    if (count > 0)
        pair->hz[0] = found[0].cycles * rate;
    if (second == 0)
        return;
    take(pair, &found[0], &found[second], rate);
    int rival = rival_of(found, count, second, pair->cycles, length);
    pair->fault = PAIR_FOUND;
    if (is_harmonic(found[0].cycles, found[second].cycles, length)) {
        pair->fault = PAIR_HARMONIC;
    } else if (rival > 0) {
        pair->fault = PAIR_THREE_TONES;
        pair->hz[2] = found[rival].cycles * rate;
    } else if (close && !intermodulation_pair_is_close(pair->hz, 0)) {
        pair->fault = PAIR_NOT_CLOSE;
    }
}

static bool find_told(struct capture *capture, struct tone_search search,
                      const double hz[2], struct fft_cache *cache,
                      struct intermodulation_pair *pair, struct problem *problem)
{
    const double weakest_db = 43; /* an amplitude ratio of 100 to 1, and some more */
    struct tone_fit found[2];
    search.most = 1;
    for (int i = 0; i < 2; i++) {
        double bin_hz = (double)search.sample_rate_hz / search.length;
        double reach = fmin(fmax(search_share * hz[i], 3 * bin_hz), (hz[1] - hz[0]) / 3);
        int count;
        search.low_hz = hz[i] - reach;
        search.high_hz = hz[i] + reach;
        if (!tone_search_find(capture, &search, cache, &found[i], &count, problem))
            return false;
        if (count == 0) {
            pair->fault = i ? PAIR_UPPER_ABSENT : PAIR_LOWER_ABSENT;
            return true;
        }
    }
    double ratio_db = level_db(&found[0]) - level_db(&found[1]);
    take(pair, &found[0], &found[1], search.sample_rate_hz);
    pair->fault = ratio_db > weakest_db    ? PAIR_UPPER_ABSENT
                  : ratio_db < -weakest_db ? PAIR_LOWER_ABSENT
                                           : PAIR_FOUND;
    return true;
}

bool intermodulation_pair_find(struct capture *capture, const struct tone_search *search,
                               const struct intermodulation_request *request,
                               struct fft_cache *cache, struct intermodulation_pair *ret,
                               struct problem *problem)
{
    enum { LOOKED_AT = 8 };
    struct tone_search widest = *search;
    struct tone_fit found[LOOKED_AT];
    struct intermodulation_pair pair = {.fault = PAIR_NO_TONE};
    int count = 0;
    if (request->told) {
        if (!find_told(capture, widest, request->frequency_hz, cache, &pair, problem))
            return false;
    } else {
        widest.most = LOOKED_AT;
        widest.low_hz = request->band_hz[0] * (1 - search_share);
        widest.high_hz = request->band_hz[1] * (1 + search_share);
        if (!tone_search_find(capture, &widest, cache, found, &count, problem))
            return false;
        choose(search, request->close, found, count, &pair);
    }
    *ret = pair;
    return true;
}
