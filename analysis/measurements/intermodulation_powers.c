#include "analysis/measurements/intermodulation_powers.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    INTERVALS = INTERMODULATION_PRODUCTS + 3, /* dc and both tones */
};

/* The averaged spectrum, and what in it is no noise. */
struct view {
    const struct intermodulation_channel *channel;
    double tone_bins[2], smear_bins[2];
    struct bins excluded[INTERVALS];
    struct powers_view powers;
    double line_threshold;
};

/* How far a place moved about its mean while the spectrum was averaged. */
static double smear_of(const struct view *view,
                       const struct intermodulation_product *product)
{
    return abs(product->a) * view->smear_bins[0] + abs(product->b) * view->smear_bins[1];
}

static void look(const struct intermodulation_channel *channel, struct view *view)
{
    int length = channel->plan.length, count = 0;
    struct bins whole = {0, length / 2};
    *view = (struct view){.channel = channel};
    view->excluded[count++] = bins_within(bins_lobe(0), whole);
    for (int t = 0; t < 2; t++) {
        const struct tone_track *track = &channel->track[t];
        view->tone_bins[t] = tone_track_result(track).cycles * length;
        view->smear_bins[t] =
            (track->maximum_cycles - track->minimum_cycles) / 2 * length;
        view->excluded[count++] = bins_within(
            bins_around(view->tone_bins[t], LOBE + view->smear_bins[t]), whole);
    }
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
        const struct intermodulation_product *product = &intermodulation_products[i];
        double bin = intermodulation_products_bin(product, view->tone_bins, length);
        view->excluded[count++] =
            bins_within(bins_around(bin, LOBE + smear_of(view, product)), whole);
    }
    view->powers =
        (struct powers_view){&channel->spectrum, channel->window, view->excluded,
                             bins_merge(view->excluded, count)};
    view->line_threshold = statistics_line_threshold(
        channel->spectrum.segments, (2 * LOBE + 1) * INTERMODULATION_PRODUCTS);
}

/* Beside a strong tone jitter or a codec leave a slope, which a median and a mean judge
 * differently: what they differ by is not known. */
static struct power noise_under(const struct view *view, struct bins lobe)
{
    int width = bins_width(lobe);
    struct power noise = powers_under(&view->powers, lobe, width);
    noise.u95 = powers_under_tone(&view->powers, lobe, width).u95;
    return noise;
}

/* Whether the spectrum of a lobe rises again away from its place: another line stands
 * there, or reaches in. */
static bool is_mixed(const struct view *view, struct bins lobe, double bin, double smear,
                     double threshold, int peak)
{
    const double own_bins = 2, share = 0.002;
    const double *p = view->channel->spectrum.sum;
    double least = fmax(threshold, share * p[peak]);
    for (int j = lobe.first; j <= lobe.last; j++) {
        if (fabs(j - bin) <= own_bins + smear || p[j] <= least)
            continue;
        int inner = j < bin ? j + 1 : j - 1, outer = j < bin ? j - 1 : j + 1;
        bool at_end = j == lobe.first || j == lobe.last;
        if (p[j] > p[inner] && (at_end || p[j] >= p[outer]))
            return true;
    }
    return false;
}

static void judge(const struct view *view, int index, double upper,
                  struct intermodulation_power *ret)
{
    const struct intermodulation_channel *channel = view->channel;
    const struct moments *moments = &channel->product[index];
    struct bins whole = {0, channel->plan.length / 2};
    struct bins lobe = bins_within(bins_lobe(ret->place.bin), whole);
    struct power noise = noise_under(view, lobe);
    double power = moments_mean_x(moments) - noise.mean;
    double threshold = view->line_threshold * noise.mean / bins_width(lobe);
    double scatter = moments_u95_of_difference(moments, power / upper);
    int peak = lobe.first;
    for (int j = lobe.first; j <= lobe.last; j++)
        if (channel->spectrum.sum[j] > channel->spectrum.sum[peak])
            peak = j;
    ret->ratio = power / upper;
    ret->u95 = hypot(scatter, noise.u95) / upper;
    ret->highest =
        fmax(ret->ratio, 0) + (isnan(ret->u95) ? noise.mean / upper : ret->u95);
    ret->mixed =
        is_mixed(view, lobe, ret->place.bin,
                 smear_of(view, &intermodulation_products[index]), threshold, peak);
    ret->above = !ret->place.at_edge && !ret->place.coincides_with && !ret->mixed &&
                 power > 0 && !(ret->ratio <= ret->u95) &&
                 channel->spectrum.sum[peak] > threshold;
}

void intermodulation_powers_gather(const struct intermodulation_channel *channel,
                                   struct intermodulation_powers *ret)
{
    struct view view;
    struct intermodulation_place places[INTERMODULATION_PRODUCTS];
    int length = channel->plan.length;
    look(channel, &view);
    for (int t = 0; t < 2; t++) {
        struct tone_track_result tone = tone_track_result(&channel->track[t]);
        struct bins lobe =
            bins_within(bins_lobe(view.tone_bins[t]), (struct bins){0, length / 2});
        struct power noise = powers_under_tone(&view.powers, lobe, bins_width(lobe));
        ret->hz[t] = tone.cycles * channel->sample_rate_hz;
        ret->hz_u95[t] = tone.cycles_u95 * channel->sample_rate_hz;
        ret->tone[t] = powers_with(&channel->tone[t], powers_less(noise), 0);
    }
    double upper = ret->tone[1].mean;
    ret->tone_ratio = ret->tone[0].mean / upper;
    ret->tone_ratio_u95 =
        moments_u95_of_difference(&channel->tone[0], ret->tone_ratio) / upper;
    intermodulation_products_place(view.tone_bins, length, places);
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
        ret->product[i] = (struct intermodulation_power){.place = places[i]};
        judge(&view, i, upper, &ret->product[i]);
    }
}

bool intermodulation_powers_counts(const struct intermodulation_place *place,
                                   double nyquist_bins)
{
    const double share = 0.45 / 0.5; /* of half the sample rate */
    return !place->aliased && place->bin <= share * nyquist_bins;
}

enum { PARTS_MAX = 4 };

/* Amplitudes that are to be added up, each with how much more and how much less it may
 * be. */
struct addends {
    int count;
    struct {
        double amplitude, more, less;
        int group;
        bool above;
    } part[PARTS_MAX];
};

enum { NONE = -1, HIDDEN_MOST = -2, HIDDEN_LEAST = -3 };

/* The sum with part `changed` as large as it can be, or all that do not stand out as
 * large or as small as they can be. */
static double add_up(const struct addends *addends, int changed)
{
    double group[PARTS_MAX] = {0}, squares = 0;
    for (int i = 0; i < addends->count; i++) {
        double amplitude = addends->part[i].amplitude;
        bool hidden = !addends->part[i].above;
        if (i == changed || (hidden && changed == HIDDEN_MOST))
            amplitude += addends->part[i].more;
        if (hidden && changed == HIDDEN_LEAST)
            amplitude -= addends->part[i].less;
        group[addends->part[i].group] += amplitude;
    }
    for (int g = 0; g < PARTS_MAX; g++)
        squares += group[g] * group[g];
    return sqrt(squares);
}

static void append(struct addends *addends, const struct intermodulation_power *power,
                   int group)
{
    double amplitude = sqrt(fmax(power->ratio, 0));
    int i = addends->count++;
    addends->part[i].amplitude = amplitude;
    addends->part[i].group = group;
    addends->part[i].above = power->above;
    addends->part[i].less = amplitude;
    addends->part[i].more = sqrt(power->highest) - amplitude;
    if (power->above) /* to either side, as decibels are: the larger one */
        addends->part[i].more = amplitude - sqrt(power->ratio - power->u95);
}

/* Whether another product of an order that figures count falls into this one's place. */
static bool is_shared(const struct intermodulation_powers *powers, int product)
{
    const int counted_order = 3;
    const char *holder = powers->product[product].place.expression;
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
        const struct intermodulation_place *place = &powers->product[i].place;
        if (place->coincides_with && strcmp(place->coincides_with, holder) == 0 &&
            !place->aliased &&
            intermodulation_products_order(&intermodulation_products[i]) <= counted_order)
            return true;
    }
    return false;
}

struct intermodulation_sum
intermodulation_powers_sum(const struct intermodulation_powers *powers,
                           const struct intermodulation_part *parts, int count,
                           double nyquist_bins)
{
    struct intermodulation_sum sum = {0};
    struct addends addends = {0};
    for (int i = 0; i < count; i++) {
        const struct intermodulation_power *power = &powers->product[parts[i].product];
        if (!intermodulation_powers_counts(&power->place, nyquist_bins))
            continue;
        sum.unclear = sum.unclear || power->place.coincides_with ||
                      power->place.at_edge || power->mixed ||
                      is_shared(powers, parts[i].product);
        sum.above = sum.above || power->above;
        append(&addends, power, parts[i].group);
    }
    double scatter = 0;
    sum.counted = addends.count;
    sum.value = add_up(&addends, NONE);
    /* What hides in noise may be there in all of them at once; scatter is independent. */
    double more = add_up(&addends, HIDDEN_MOST) - sum.value;
    double less = sum.value - add_up(&addends, HIDDEN_LEAST);
    for (int i = 0; i < addends.count; i++)
        if (addends.part[i].above)
            scatter = hypot(scatter, add_up(&addends, i) - sum.value);
    sum.u95 = scatter + fmax(more, less);
    sum.highest = sum.value + (isnan(scatter) ? 0 : scatter) + more;
    return sum;
}
