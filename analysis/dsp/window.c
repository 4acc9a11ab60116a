#include "analysis/dsp/window.h"

#include <math.h>
#include <stdlib.h>

enum { TERMS_MAX = 7 };

static const double hann[TERMS_MAX] = {0.5, 0.5};
static const double blackman_harris_7[TERMS_MAX] = {
    .27105140069342, .43329793923448, .21812299954311, .06592544638803,
    .01081174209837, .00077658482522, .00001388721735,
};

static const double *terms_of(enum window_kind kind)
{
    return kind == WINDOW_HANN ? hann : blackman_harris_7;
}

/* Σ ±terms[m]·cos(m·phase) by Clenshaw's recurrence, from the one cosine. */
static double value_at(const double *terms, double cosine)
{
    double last = 0, before = 0;
    for (int m = TERMS_MAX - 1; m > 0; m--) {
        double next = (m % 2 ? -terms[m] : terms[m]) + 2 * cosine * last - before;
        before = last;
        last = next;
    }
    return terms[0] + cosine * last - before;
}

bool window_new(enum window_kind kind, int length, struct window *ret,
                struct problem *problem)
{
    const double *terms = terms_of(kind);
    struct window made = {.kind = kind, .length = length};
    made.values = calloc((size_t)length, sizeof *made.values);
    if (!made.values)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for a window of %d samples.", length);
    int half = length / 2;
    for (int n = 0; n <= half; n++) {
        double value = value_at(terms, cos(2 * M_PI * n / length));
        made.values[n] = value;
        if (n > 0)
            made.values[length - n] = value;
    }
    for (int n = 0; n < length; n++) {
        double t = n - half;
        double square = made.values[n] * made.values[n];
        made.time_spread += made.values[n] * t * t;
        made.correlated_bins += square * square;
    }
    /* Closed forms: cosines of whole periods sum to nothing. */
    double squares = terms[0] * terms[0];
    for (int m = 1; m < TERMS_MAX; m++)
        squares += terms[m] * terms[m] / 2;
    made.sum = length * terms[0];
    made.sum_squares = length * squares;
    made.time_spread /= made.sum;
    made.correlated_bins *= length / (made.sum_squares * made.sum_squares);
    made.enbw_bins = length * made.sum_squares / (made.sum * made.sum);
    *ret = made;
    return true;
}

void window_free(struct window *window)
{
    free(window->values);
    window->values = NULL;
}

/* sin(πx)/(πx) for x = rest + whole; sine is that of π·rest. */
static double sinc(double rest, int whole, double sine)
{
    double x = rest + whole;
    if (fabs(x) < 1e-9)
        return 1;
    return (whole % 2 ? -sine : sine) / (M_PI * x);
}

double window_transform(enum window_kind kind, double bins)
{
    /* About its centre every second cosine changes its sign once more, so all terms add.
     */
    const double *terms = terms_of(kind);
    int whole = (int)lrint(bins);
    double rest = bins - whole, sine = sin(M_PI * rest);
    double value = terms[0] * sinc(rest, whole, sine);
    for (int m = 1; m < TERMS_MAX; m++)
        value +=
            terms[m] / 2 * (sinc(rest, whole - m, sine) + sinc(rest, whole + m, sine));
    return value;
}

/* Σ e^{−iθt} and Σ t·e^{−iθt}: e^{iθ/2}·sin(Nθ/2)/sin(θ/2), and i times its derivative.
 */
static struct window_sums plain_sums(int length, double cycles)
{
    double half = M_PI * (cycles - rint(cycles)), turns = cycles * length;
    double below = sin(half), above = sin(M_PI * (turns - 2 * rint(turns / 2)));
    double complex turn = cos(half) + I * below;
    if (fabs(below) < 1e-12)
        return (struct window_sums){length, -0.5 * length};
    double ratio = above / below;
    double slope =
        (length * cos(M_PI * (turns - 2 * rint(turns / 2))) - ratio * cos(half)) /
        (2 * below);
    return (struct window_sums){turn * ratio, I * turn * (slope + 0.5 * I * ratio)};
}

struct window_sums window_sums_at(const struct window *window, double cycles)
{
    const double *terms = terms_of(window->kind), bin = 1.0 / window->length;
    struct window_sums sums = {0, 0};
    for (int m = 1 - TERMS_MAX; m < TERMS_MAX; m++) {
        struct window_sums part = plain_sums(window->length, cycles + m * bin);
        double share = m == 0 ? terms[0] : terms[abs(m)] / 2;
        sums.plain += share * part.plain;
        sums.timed += share * part.timed;
    }
    return sums;
}

double window_leakage(enum window_kind kind, double offset, int half)
{
    enum { FARTHEST = 2000 };
    const double *terms = terms_of(kind);
    double whole = terms[0] * terms[0], outside = 0;
    for (int m = 1; m < TERMS_MAX; m++)
        whole += terms[m] * terms[m] / 2;
    for (int j = half + 1; j <= FARTHEST; j++) {
        double above = window_transform(kind, j - offset);
        double below = window_transform(kind, -j - offset);
        outside += above * above + below * below;
    }
    return outside / whole;
}
