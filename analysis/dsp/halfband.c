#include "analysis/dsp/halfband.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#include "analysis/dsp/wide.h"

enum { HALVING_TAPS = 8, DOUBLING_TAPS = 24 };

/* I0, the modified Bessel function that a Kaiser window is made of. */
static double bessel_i0(double x)
{
    double term = 1, sum = 1;
    for (int k = 1; term > 1e-17 * sum; k++) {
        term *= x / (2 * k) * (x / (2 * k));
        sum += term;
    }
    return sum;
}

static struct halfband make(int taps)
{
    const double beta = 0.1102 * (70 - 8.7); /* Kaiser's rule for 70 dB */
    struct halfband made = {.taps = taps};
    double sum = 0;
    for (int k = 0; k < taps; k++) {
        double at = k + 0.5, place = at / taps;
        made.tap[k] = sin(M_PI * at) / (M_PI * at) *
                      bessel_i0(beta * sqrt(1 - place * place)) / bessel_i0(beta);
        sum += 2 * made.tap[k];
    }
    for (int k = 0; k < taps; k++)
        made.tap[k] /= sum;
    return made;
}

struct halfband halfband_halving(void)
{
    return make(HALVING_TAPS);
}

struct halfband halfband_doubling(void)
{
    return make(DOUBLING_TAPS);
}

/* ret[m] = what lies half a sample before x[m], m = 0 … count − 1. */
BODY void between(const double *x, const double *tap, int taps, int count, double *ret)
{
    int m = 0;
    for (; m + WIDE_LANES <= count; m += WIDE_LANES) {
        quad low = {0}, high = {0};
        for (int k = 0; k < taps; k++) {
            const double *left = x + m - k - 1, *right = x + m + k;
            low += tap[k] * (*(const quad *)left + *(const quad *)right);
            high += tap[k] * (*(const quad *)(left + 4) + *(const quad *)(right + 4));
        }
        *(quad *)(ret + m) = low;
        *(quad *)(ret + m + 4) = high;
    }
    for (; m < count; m++) {
        double sum = 0;
        for (int k = 0; k < taps; k++)
            sum += tap[k] * (x[m - k - 1] + x[m + k]);
        ret[m] = sum;
    }
}

BODY void part(const double *samples, int count, double *even, double *odd)
{
    for (int n = 0; n < count; n++) {
        even[n] = samples[2 * n];
        odd[n] = samples[2 * n + 1];
    }
}

BODY void join(const double *even, const double *odd, int count, double *ret)
{
    for (int n = 0; n < count; n++) {
        ret[2 * n] = even[n];
        ret[2 * n + 1] = odd[n];
    }
}

BODY void keep_end(double *held, int history, int count)
{
    memmove(held, held + count, (size_t)history * sizeof *held);
}

BODY void halve_body(struct halfband *halfband, const double *samples, int count,
                     double *ret)
{
    int half = count / 2, taps = halfband->taps, history = 2 * taps;
    assert(count % 2 == 0 && half <= HALFBAND_BLOCK);
    part(samples, half, halfband->even + history, halfband->odd + history);
    /* Odd sample m − 1 and odd sample m lie about even sample m. */
    between(halfband->odd + taps, halfband->tap, taps, half, ret);
    for (int m = 0; m < half; m++)
        ret[m] = 0.5 * (ret[m] + halfband->even[taps + m]);
    keep_end(halfband->even, history, half);
    keep_end(halfband->odd, history, half);
}

WIDE_KERNEL(void, halfband_halve, halve,
            (struct halfband * halfband, const double *samples, int count, double *ret),
            (halfband, samples, count, ret))

BODY void twice_body(struct halfband *halfband, const double *samples, int count,
                     double *ret)
{
    int taps = halfband->taps, history = 2 * taps;
    double *x = halfband->even;
    assert(count <= HALFBAND_BLOCK);
    memcpy(x + history, samples, (size_t)count * sizeof *x);
    between(x + taps, halfband->tap, taps, count, halfband->odd);
    join(halfband->odd, x + taps, count, ret);
    keep_end(x, history, count);
}
WIDE_KERNEL(void, halfband_double, twice,
            (struct halfband * halfband, const double *samples, int count, double *ret),
            (halfband, samples, count, ret))
