#include "analysis/dsp/kernels.h"

#include <math.h>
#include <string.h>

#include "analysis/dsp/wide.h"

typedef int32_t quad_int __attribute__((vector_size(16), aligned(4), may_alias));
typedef uint8_t bytes16 __attribute__((vector_size(16), aligned(1), may_alias));

#define KERNEL(type, name, parameters, arguments)                                        \
    WIDE_KERNEL(type, kernels_##name, name, parameters, arguments)

BODY void window_body(const double *samples, const double *window, int step, double dc,
                      double *windowed)
{
    for (int n = 0; n < KERNELS_BLOCK; n += 4) {
        const quad value = *(const quad *)(samples + n) - dc;
        if (step > 0) {
            *(quad *)(windowed + n) = value * *(const quad *)(window + n);
        } else {
            const quad back = *(const quad *)(window - n - 3);
            *(quad *)(windowed + n) =
                value * __builtin_shufflevector(back, back, 3, 2, 1, 0);
        }
    }
}
KERNEL(void, window,
       (const double *samples, const double *window, int step, double dc,
        double *windowed),
       (samples, window, step, dc, windowed))

/* Σ lane·sum + 8·Σ step·product, from the sums and the sums of the running sums. */
BODY double timed(const quad *low, const quad *high, const quad *runs_low,
                  const quad *runs_high)
{
    const double steps = (double)KERNELS_BLOCK / WIDE_LANES,
                 centre = (KERNELS_BLOCK - 1) / 2.0;
    const quad first = {0, 1, 2, 3}, second = {4, 5, 6, 7};
    quad one = *low * (WIDE_LANES * steps - centre + first) - WIDE_LANES * *runs_low;
    quad two = *high * (WIDE_LANES * steps - centre + second) - WIDE_LANES * *runs_high;
    return wide_total(&one, &two);
}

BODY void demodulate_body(const double *x, const double *re, const double *im,
                          struct kernels_sums *ret)
{
    quad a = {0}, b = {0}, c = {0}, d = {0}; /* sums: real low, high; imaginary */
    quad e = {0}, f = {0}, g = {0}, h = {0}; /* sums of the running sums */
    for (int j = 0; j < KERNELS_BLOCK; j += WIDE_LANES) {
        const quad low = *(const quad *)(x + j), high = *(const quad *)(x + j + 4);
        a += low * *(const quad *)(re + j);
        b += high * *(const quad *)(re + j + 4);
        c += low * *(const quad *)(im + j);
        d += high * *(const quad *)(im + j + 4);
        e += a;
        f += b;
        g += c;
        h += d;
    }
    *ret = (struct kernels_sums){wide_total(&a, &b), wide_total(&c, &d),
                                 timed(&a, &b, &e, &f), timed(&c, &d, &g, &h)};
}
KERNEL(void, demodulate,
       (const double *x, const double *re, const double *im, struct kernels_sums *ret),
       (x, re, im, ret))

BODY void powers_body(const double *z, int count, int first, int step,
                      const struct kernels_powers *ret)
{
    double *powers = ret->powers + first, *sum = NULL, *squares = NULL;
    int lowest = step > 0 ? first : first - count + 1, j = 0;
    if (ret->sum)
        sum = ret->sum + first;
    if (ret->sum && lowest < ret->scatter_bins)
        squares = ret->sum_squares + first;
    for (; j + 4 <= count; j += 4) {
        quad one = *(const quad *)(z + 2 * j), two = *(const quad *)(z + 2 * j + 4);
        one *= one;
        two *= two;
        quad four = __builtin_shufflevector(one, two, 0, 2, 4, 6) +
                    __builtin_shufflevector(one, two, 1, 3, 5, 7);
        int at = step > 0 ? j : -j - 3;
        four *= ret->scale;
        if (step < 0)
            four = __builtin_shufflevector(four, four, 3, 2, 1, 0);
        *(quad *)(powers + at) = four;
        if (sum)
            *(quad *)(sum + at) += four;
        if (squares)
            *(quad *)(squares + at) += four * four;
    }
    for (; j < count; j++) {
        double re = z[2 * j], im = z[2 * j + 1], power = ret->scale * (re * re + im * im);
        powers[step * j] = power;
        if (sum)
            sum[step * j] += power;
        if (squares)
            squares[step * j] += power * power;
    }
}
KERNEL(void, powers,
       (const double *z, int count, int first, int step,
        const struct kernels_powers *ret),
       (z, count, first, step, ret))

BODY void turn_body(double *z, const double *table, double re, double im, int count)
{
    const quad against = {im, -im, im, -im};
    for (int j = 0; j < count; j += 2) {
        const quad first = *(const quad *)(table + 4 * j),
                   second = *(const quad *)(table + 4 * j + 4);
        quad real = __builtin_shufflevector(first, second, 0, 1, 4, 5);
        quad imaginary = __builtin_shufflevector(first, second, 2, 3, 6, 7);
        quad both = real * re + imaginary * against;
        imaginary = imaginary * re - real * against;
        quad value = *(quad *)(z + 2 * j);
        *(quad *)(z + 2 * j) =
            value * both + __builtin_shufflevector(value, value, 1, 0, 3, 2) * imaginary;
    }
}
KERNEL(void, turn, (double *z, const double *table, double re, double im, int count),
       (z, table, re, im, count))

BODY void levels_body(const double *x, int count, struct kernels_levels *ret)
{
    quad sum = {0}, sum2 = {0}, squares = {0}, squares2 = {0};
    quad lowest = {x[0], x[0], x[0], x[0]}, highest = lowest;
    int n = 0;
    for (; n + WIDE_LANES <= count; n += WIDE_LANES) {
        const quad first = *(const quad *)(x + n), second = *(const quad *)(x + n + 4);
        quad_mask below = first < second;
        const quad low = CHOOSE(below, first, second),
                   high = CHOOSE(below, second, first);
        sum += first;
        sum2 += second;
        squares += first * first;
        squares2 += second * second;
        lowest = CHOOSE(low < lowest, low, lowest);
        highest = CHOOSE(high > highest, high, highest);
    }
    struct kernels_levels levels = {wide_total(&sum, &sum2),
                                    wide_total(&squares, &squares2), x[0], x[0]};
    for (int i = 0; i < 4; i++) {
        levels.minimum = lowest[i] < levels.minimum ? lowest[i] : levels.minimum;
        levels.maximum = highest[i] > levels.maximum ? highest[i] : levels.maximum;
    }
    for (; n < count; n++) {
        levels.sum += x[n];
        levels.sum_squares += x[n] * x[n];
        levels.minimum = x[n] < levels.minimum ? x[n] : levels.minimum;
        levels.maximum = x[n] > levels.maximum ? x[n] : levels.maximum;
    }
    *ret = levels;
}
KERNEL(void, levels, (const double *x, int count, struct kernels_levels *ret),
       (x, count, ret))

BODY double smallest_step_body(const double *x, int count, double enough)
{
    const quad none = {0}, never = {INFINITY, INFINITY, INFINITY, INFINITY};
    double step = INFINITY;
    int n = 1;
    while (n + KERNELS_BLOCK <= count && step > enough) {
        quad smallest = never;
        for (int end = n + KERNELS_BLOCK; n < end; n += 4) {
            quad difference = *(const quad *)(x + n) - *(const quad *)(x + n - 1);
            difference = CHOOSE(difference < none, -difference, difference);
            difference = CHOOSE(difference > none, difference, never);
            smallest = CHOOSE(difference < smallest, difference, smallest);
        }
        for (int i = 0; i < 4; i++)
            step = smallest[i] < step ? smallest[i] : step;
    }
    for (; n < count && step > enough; n++) {
        double difference = fabs(x[n] - x[n - 1]);
        step = difference > 0 && difference < step ? difference : step;
    }
    return step;
}
KERNEL(double, smallest_step, (const double *x, int count, double enough),
       (x, count, enough))

BODY double sum_body(const double *x, int count)
{
    quad a = {0}, b = {0};
    int j = 0;
    for (; j + WIDE_LANES <= count; j += WIDE_LANES) {
        a += *(const quad *)(x + j);
        b += *(const quad *)(x + j + 4);
    }
    double sum = wide_total(&a, &b);
    for (; j < count; j++)
        sum += x[j];
    return sum;
}
KERNEL(double, sum, (const double *x, int count), (x, count))

BODY double weighted_sum_body(const double *x, const double *weights, int count)
{
    quad a = {0}, b = {0};
    int j = 0;
    for (; j + WIDE_LANES <= count; j += WIDE_LANES) {
        a += *(const quad *)(x + j) * *(const quad *)(weights + j);
        b += *(const quad *)(x + j + 4) * *(const quad *)(weights + j + 4);
    }
    double sum = wide_total(&a, &b);
    for (; j < count; j++)
        sum += x[j] * weights[j];
    return sum;
}
KERNEL(double, weighted_sum, (const double *x, const double *weights, int count),
       (x, weights, count))

BODY void gather_body(const double *source, int stride, int count, double *ret)
{
    if (stride == 2) { /* worth its own loop: most recordings are stereo */
        for (int n = 0; n < count; n++)
            ret[n] = source[2 * n];
        return;
    }
    for (int64_t n = 0; n < count; n++)
        ret[n] = source[n * stride];
}
KERNEL(void, gather, (const double *source, int stride, int count, double *ret),
       (source, stride, count, ret))

BODY void deal_body(const double *source, int rows, int count, int stride, double *ret)
{
    for (int row = 0; row + 4 <= rows; row += 4)
        for (int n = 0; n < count; n += 4) {
            const double *from = source + (int64_t)n * rows + row;
            const quad a = *(const quad *)from, b = *(const quad *)(from + rows),
                       c = *(const quad *)(from + 2 * rows),
                       d = *(const quad *)(from + 3 * rows);
            quad ab_even = __builtin_shufflevector(a, b, 0, 4, 2, 6);
            quad ab_odd = __builtin_shufflevector(a, b, 1, 5, 3, 7);
            quad cd_even = __builtin_shufflevector(c, d, 0, 4, 2, 6);
            quad cd_odd = __builtin_shufflevector(c, d, 1, 5, 3, 7);
            double *to = ret + row * (int64_t)stride + n;
            *(quad *)to = __builtin_shufflevector(ab_even, cd_even, 0, 1, 4, 5);
            *(quad *)(to + stride) = __builtin_shufflevector(ab_odd, cd_odd, 0, 1, 4, 5);
            *(quad *)(to + 2 * (int64_t)stride) =
                __builtin_shufflevector(ab_even, cd_even, 2, 3, 6, 7);
            *(quad *)(to + 3 * (int64_t)stride) =
                __builtin_shufflevector(ab_odd, cd_odd, 2, 3, 6, 7);
        }
    for (int n = 0; rows == 2 && n < count; n++) {
        ret[n] = source[2 * n];
        ret[stride + n] = source[2 * n + 1];
    }
}
KERNEL(void, deal, (const double *source, int rows, int count, int stride, double *ret),
       (source, rows, count, stride, ret))

BODY void fold_body(const double *x, int count, double start, double cycles,
                    double sums[KERNELS_PHASES][4], int counts[KERNELS_PHASES])
{
    enum { PIECE = 256 };
    int phase[PIECE];
    double offset[PIECE];
    for (int first = 0; first < count; first += PIECE) {
        int piece = count - first < PIECE ? count - first : PIECE;
        for (int n = 0; n < piece; n++) {
            double turns = start + cycles * (first + n);
            double place = (turns - (int)turns) * KERNELS_PHASES;
            phase[n] = (int)place;
            offset[n] = place - phase[n] - 0.5;
        }
        for (int n = 0; n < piece; n++) {
            double value = x[first + n], away = offset[n];
            const quad more = {value, value * value, away, away * away};
            *(quad *)sums[phase[n]] += more;
            counts[phase[n]]++;
        }
    }
}
KERNEL(void, fold,
       (const double *x, int count, double start, double cycles,
        double sums[KERNELS_PHASES][4], int counts[KERNELS_PHASES]),
       (x, count, start, cycles, sums, counts))

/* The sample's bytes at the top of 32 bits. */
BODY int32_t top_of(const uint8_t *bytes, int bytes_per_sample)
{
    uint32_t value = 0;
    for (int i = 0; i < bytes_per_sample; i++)
        value |= (uint32_t)bytes[i] << (8 * (4 - bytes_per_sample + i));
    return (int32_t)value;
}

/* Four samples of 3 bytes, each at the top of 32 bits, from two readings of 16 bytes, of
 * which 16 stands for a zero. */
#define PUT_24(ret, one, two, a, b, c, d)                                                \
    do {                                                                                 \
        const bytes16 put_ = __builtin_shufflevector(                                    \
            one, two, 3, a, (a) + 1, (a) + 2, 3, b, (b) + 1, (b) + 2, 3, c, (c) + 1,     \
            (c) + 2, 3, d, (d) + 1, (d) + 2);                                            \
        quad_int whole_ = (quad_int)put_ & top_24;                                       \
        *(quad *)(ret) = __builtin_convertvector(whole_, quad) * step;                   \
    } while (0)

BODY void from_pcm_body(const uint8_t *bytes, int bytes_per_sample, int stride, int count,
                        double *ret)
{
    const double step = 1 / 2147483648.0;
    const quad_int top_24 = {-256, -256, -256, -256};
    int n = 0;
    /* One and two channels of 24 bits are worth loops of their own. The last samples are
     * left to the plain one, since these read beyond what they use. */
    if (bytes_per_sample == 3 && stride == 1)
        for (; n + 6 <= count; n += 4) {
            const bytes16 read = *(const bytes16 *)(bytes + 3 * n);
            PUT_24(ret + n, read, read, 0, 3, 6, 9);
        }
    if (bytes_per_sample == 3 && stride == 2)
        for (; n + 6 <= count; n += 4) {
            const bytes16 one = *(const bytes16 *)(bytes + 6 * n),
                          two = *(const bytes16 *)(bytes + 6 * n + 12);
            PUT_24(ret + n, one, two, 0, 6, 16, 22);
        }
    for (; n < count; n++)
        ret[n] =
            top_of(bytes + (int64_t)n * stride * bytes_per_sample, bytes_per_sample) *
            step;
}
KERNEL(void, from_pcm,
       (const uint8_t *bytes, int bytes_per_sample, int stride, int count, double *ret),
       (bytes, bytes_per_sample, stride, count, ret))
