#include "analysis/dsp/predict.h"

#include <assert.h>
#include <math.h>

#include "analysis/dsp/kernels.h"
#include "analysis/dsp/solve.h"
#include "analysis/dsp/wide.h"

enum { SPAN = 2 * PREDICT_LONG + 1 };

BODY double residual_at(const double *x, const double *weights, int order)
{
    double rest = *x;
    for (int i = 1; i <= order; i++)
        rest -= weights[i - 1] * (x[-i] + x[i]);
    return rest;
}

BODY void peak_body(const double *weights, int order, const double *x, int count,
                    struct predict_peak *ret)
{
    const quad none = {0};
    quad highest = {0}, highest2 = {0}, squares = {0}, squares2 = {0};
    int n = 0;
    for (; n + WIDE_LANES <= count; n += WIDE_LANES) {
        quad first = *(const quad *)(x + n), second = *(const quad *)(x + n + 4);
#pragma GCC unroll 32
        for (int i = 1; i <= order; i++) {
            const double weight = weights[i - 1];
            first -= (*(const quad *)(x + n - i) + *(const quad *)(x + n + i)) * weight;
            second -= (*(const quad *)(x + n + 4 - i) + *(const quad *)(x + n + 4 + i)) *
                      weight;
        }
        squares += first * first;
        squares2 += second * second;
        first = CHOOSE(first < none, -first, first);
        second = CHOOSE(second < none, -second, second);
        highest = CHOOSE(first > highest, first, highest);
        highest2 = CHOOSE(second > highest2, second, highest2);
    }
    struct predict_peak peak = {0, wide_total(&squares, &squares2)};
    for (int i = 0; i < 4; i++) {
        peak.largest = highest[i] > peak.largest ? highest[i] : peak.largest;
        peak.largest = highest2[i] > peak.largest ? highest2[i] : peak.largest;
    }
    for (; n < count; n++) {
        double rest = fabs(residual_at(x + n, weights, order));
        peak.sum_squares += rest * rest;
        peak.largest = rest > peak.largest ? rest : peak.largest;
    }
    *ret = peak;
}

/* One function for each order, so that the weights stay in registers, and each width. */
#define PEAK(name, attributes, order)                                                    \
    attributes static void name(const double *weights, const double *x, int count,       \
                                struct predict_peak *ret)                                \
    {                                                                                    \
        peak_body(weights, order, x, count, ret);                                        \
    }
PEAK(peak_short, , PREDICT_SHORT)
PEAK(peak_long, , PREDICT_LONG)
#if defined(__x86_64__)
PEAK(peak_short_wide, __attribute__((target("avx2"))), PREDICT_SHORT)
PEAK(peak_long_wide, __attribute__((target("avx2"))), PREDICT_LONG)
#endif

struct predict_peak predict_peak(const struct predict *predict, const double *centres,
                                 int count)
{
    struct predict_peak peak;
    bool is_short = predict->order == PREDICT_SHORT;
#if defined(__x86_64__)
    if (__builtin_cpu_supports("avx2")) {
        (is_short ? peak_short_wide : peak_long_wide)(predict->weights, centres, count,
                                                      &peak);
        return peak;
    }
#endif
    (is_short ? peak_short : peak_long)(predict->weights, centres, count, &peak);
    return peak;
}

void predict_residual(const struct predict *predict, const double *centres, int count,
                      double *ret)
{
    for (int n = 0; n < count; n++)
        ret[n] = residual_at(centres + n, predict->weights, predict->order);
}

/* products[i][j] = Σ x[n − order + i]·x[n − order + j] over all centres n: one row is
 * summed up, the others follow from it by what leaves and what enters. */
static void fill_products(const double *x, int count, int order,
                          double products[SPAN][SPAN])
{
    int span = 2 * order + 1, centres = count - 2 * order;
    for (int j = 0; j < span; j++)
        products[0][j] = kernels_weighted_sum(x, x + j, centres);
    for (int i = 1; i < span; i++)
        for (int j = i; j < span; j++)
            products[i][j] = products[i - 1][j - 1] - x[i - 1] * x[j - 1] +
                             x[centres + i - 1] * x[centres + j - 1];
    for (int i = 1; i < span; i++)
        for (int j = 0; j < i; j++)
            products[i][j] = products[j][i];
}

bool predict_train(const double *samples, int count, int order, struct predict *ret)
{
    double products[SPAN][SPAN], matrix[PREDICT_LONG][PREDICT_LONG];
    assert(count >= 8 * order && (order == PREDICT_SHORT || order == PREDICT_LONG));
    fill_products(samples, count, order, products);
    struct predict predict = {.order = order};
    double power = products[order][order];
    if (!(power > 0))
        return false;
    for (int i = 1; i <= order; i++) {
        for (int j = 1; j <= order; j++)
            matrix[i - 1][j - 1] =
                products[order - i][order - j] + products[order - i][order + j] +
                products[order + i][order - j] + products[order + i][order + j];
        matrix[i - 1][i - 1] += 1e-10 * power;
        predict.weights[i - 1] = products[order - i][order] + products[order + i][order];
    }
    if (!solve_symmetric(order, PREDICT_LONG, matrix[0], predict.weights))
        return false;
    struct predict_peak peak = predict_peak(&predict, samples + order, count - 2 * order);
    predict.rms = sqrt(peak.sum_squares / (count - 2 * order));
    *ret = predict;
    return true;
}
