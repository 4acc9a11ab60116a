#include "analysis/measurements/intermodulation_products.h"

#include <assert.h>
#include <stdlib.h>

#include "analysis/dsp/bins.h"
#include "analysis/dsp/window.h"

enum { LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS };

const struct intermodulation_product intermodulation_products[INTERMODULATION_PRODUCTS] =
    {
        {-1, 1, "f2-f1", NULL},      {1, 1, "f1+f2", NULL},
        {2, 0, "2f1", NULL},         {0, 2, "2f2", NULL},
        {-2, 1, "f2-2f1", "2f1-f2"}, {-1, 2, "2f2-f1", NULL},
        {2, 1, "2f1+f2", NULL},      {1, 2, "f1+2f2", NULL},
        {3, 0, "3f1", NULL},         {0, 3, "3f2", NULL},
        {-3, 1, "f2-3f1", "3f1-f2"}, {-2, 2, "2f2-2f1", NULL},
        {-1, 3, "3f2-f1", NULL},     {3, 1, "3f1+f2", NULL},
        {2, 2, "2f1+2f2", NULL},     {1, 3, "f1+3f2", NULL},
        {4, 0, "4f1", NULL},         {0, 4, "4f2", NULL},
        {-4, 1, "f2-4f1", "4f1-f2"}, {-3, 2, "2f2-3f1", "3f1-2f2"},
        {-2, 3, "3f2-2f1", NULL},    {-1, 4, "4f2-f1", NULL},
        {4, 1, "4f1+f2", NULL},      {3, 2, "3f1+2f2", NULL},
        {2, 3, "2f1+3f2", NULL},     {1, 4, "f1+4f2", NULL},
        {5, 0, "5f1", NULL},         {0, 5, "5f2", NULL},
};

int intermodulation_products_order(const struct intermodulation_product *product)
{
    return abs(product->a) + abs(product->b);
}

int intermodulation_products_index(int a, int b)
{
    int i = 0;
    while (i < INTERMODULATION_PRODUCTS) {
        const struct intermodulation_product *product = &intermodulation_products[i];
        if ((product->a == a && product->b == b) ||
            (product->a == -a && product->b == -b))
            break;
        i++;
    }
    assert(i < INTERMODULATION_PRODUCTS);
    return i;
}

static double unfolded(const struct intermodulation_product *product,
                       const double tone_bins[2])
{
    return product->a * tone_bins[0] + product->b * tone_bins[1];
}

double intermodulation_products_bin(const struct intermodulation_product *product,
                                    const double tone_bins[2], int length)
{
    return bins_folded(unfolded(product, tone_bins), length);
}

static bool on_one_place(double bin, double other)
{
    return bins_meet(bins_lobe(bin), bins_lobe(other));
}

/* Who holds the place: a tone, or one of those placed before. */
static const char *holder_of(double bin, const double tone_bins[2],
                             const struct intermodulation_place *const *placed, int count)
{
    static const char *const tones[] = {"f1", "f2"};
    for (int t = 0; t < 2; t++)
        if (on_one_place(bin, tone_bins[t]))
            return tones[t];
    for (int i = 0; i < count; i++)
        if (!placed[i]->coincides_with && !placed[i]->at_edge &&
            on_one_place(bin, placed[i]->bin))
            return placed[i]->expression;
    return NULL;
}

void intermodulation_products_place(
    const double tone_bins[2], int length,
    struct intermodulation_place ret[INTERMODULATION_PRODUCTS])
{
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
        const struct intermodulation_product *product = &intermodulation_products[i];
        double bins = unfolded(product, tone_bins);
        double bin = intermodulation_products_bin(product, tone_bins, length);
        ret[i] = (struct intermodulation_place){
            .expression =
                bins < 0 && product->turned ? product->turned : product->expression,
            .bin = bin,
            .aliased = bins > length / 2.0 || bins < -length / 2.0,
            .at_edge = bin <= LOBE || bin >= length / 2.0 - LOBE,
        };
    }
    const struct intermodulation_place *placed[INTERMODULATION_PRODUCTS];
    int count = 0;
    for (int folded = 0; folded < 2; folded++)
        for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
            if (ret[i].aliased != (folded == 1))
                continue;
            ret[i].coincides_with = holder_of(ret[i].bin, tone_bins, placed, count);
            placed[count++] = &ret[i];
        }
}
