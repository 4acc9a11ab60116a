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

static double value_at(const double *terms, double phase)
{
    double value = terms[0];
    for (int m = 1; m < TERMS_MAX; m++)
        value += (m % 2 ? -terms[m] : terms[m]) * cos(m * phase);
    return value;
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
        double value = value_at(terms, 2 * M_PI * n / length);
        made.values[n] = value;
        if (n > 0)
            made.values[length - n] = value;
    }
    for (int n = 0; n < length; n++) {
        made.sum += made.values[n];
        made.sum_squares += made.values[n] * made.values[n];
        double t = n - half;
        made.time_spread += made.values[n] * t * t;
    }
    made.time_spread /= made.sum;
    made.enbw_bins = length * made.sum_squares / (made.sum * made.sum);
    *ret = made;
    return true;
}

void window_free(struct window *window)
{
    free(window->values);
    window->values = NULL;
}

void window_apply(const struct window *window, const double *samples, double dc,
                  double *windowed)
{
    for (int n = 0; n < window->length; n++)
        windowed[n] = (samples[n] - dc) * window->values[n];
}

static double sinc(double x)
{
    return fabs(x) < 1e-9 ? 1 : sin(M_PI * x) / (M_PI * x);
}

double window_transform(enum window_kind kind, double bins)
{
    /* About its centre every second cosine changes its sign once more, so all terms add.
     */
    const double *terms = terms_of(kind);
    double value = terms[0] * sinc(bins);
    for (int m = 1; m < TERMS_MAX; m++)
        value += terms[m] / 2 * (sinc(bins - m) + sinc(bins + m));
    return value;
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
