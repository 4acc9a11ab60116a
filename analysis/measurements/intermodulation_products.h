/**
 * The products of two tones, a·f1 + b·f2 with |a| + |b| = 2…5: how they are called, where
 * they lie in a spectrum, and which of them lie on one another.
 *
 * Sign: each product stands once, as the positive frequency. Beyond half the sample rate
 * it is folded there. Several may fall on one place (lobes of the 7-term window that
 * meet): it belongs to the tone itself, else to the product that is not folded, since
 * what is folded must come from a digital part of the path, else to the lowest order.
 */
#ifndef ANALYSIS_MEASUREMENTS_INTERMODULATION_PRODUCTS_H
#define ANALYSIS_MEASUREMENTS_INTERMODULATION_PRODUCTS_H

#include <stdbool.h>

enum { INTERMODULATION_PRODUCTS = 28, INTERMODULATION_MAX_ORDER = 5 };

/** a·f1 + b·f2; the order is |a| + |b|. */
struct intermodulation_product {
    int a, b;
    const char *expression; /* where that is positive */
    const char *turned;     /* where it is negative, the signs turned; or NULL: it never
                               is, f1 being the lower tone */
};

/** By ascending order. */
extern const struct intermodulation_product
    intermodulation_products[INTERMODULATION_PRODUCTS];

int intermodulation_products_order(const struct intermodulation_product *product);

/** Index of a·f1 + b·f2 or of its negative, which is one of the table. */
int intermodulation_products_index(int a, int b);

struct intermodulation_place {
    const char *expression;
    double bin; /* 0…length/2 */
    bool aliased;
    bool at_edge; /* no room for its lobe beside dc or half the sample rate */
    const char *coincides_with; /* the tone or product whose lobe it falls on, or NULL */
};

/** Where a product lies for tones at tone_bins[2] of a spectrum of `length` samples. */
double intermodulation_products_bin(const struct intermodulation_product *product,
                                    const double tone_bins[2], int length);

/** The places of all, by the table's index; f1 = tone_bins[0] < f2 = tone_bins[1]. */
void intermodulation_products_place(
    const double tone_bins[2], int length,
    struct intermodulation_place ret[INTERMODULATION_PRODUCTS]);

#endif
