#include "analysis/dsp/scan.h"

#include <math.h>

#include "analysis/dsp/kernels.h"
#include "analysis/dsp/wide.h"

#define KERNEL(type, name, parameters, arguments)                                        \
    WIDE_KERNEL(type, scan_##name, name, parameters, arguments)

BODY int64_t count_body(const double *x, int count, double least)
{
    quad_mask found = {0};
    int64_t sum = 0;
    int n = 0;
    for (; n + 4 <= count; n += 4)
        found += *(const quad *)(x + n) >= least;
    for (int i = 0; i < 4; i++)
        sum -= found[i];
    for (; n < count; n++)
        sum += x[n] >= least;
    return sum;
}
KERNEL(int64_t, count, (const double *x, int count, double least), (x, count, least))

/* Most blocks do not reach the extremes, and are counted without a look. */
void scan_levels(const double *x, int count, double top, double bottom,
                 struct scan_levels *ret)
{
    struct kernels_levels levels;
    kernels_levels(x, count, &levels);
    *ret = (struct scan_levels){
        .sum = levels.sum,
        .sum_squares = levels.sum_squares,
        .minimum = levels.minimum,
        .maximum = levels.maximum,
    };
    if (levels.maximum >= top)
        ret->at_top = scan_count(x, count, top);
    if (levels.minimum <= bottom)
        ret->at_bottom = count - scan_count(x, count, nextafter(bottom, INFINITY));
}

/* Added to an integer, it puts that as two's complement into the low bits of a double. */
static const double integer_bits = 0x1.8p52;

BODY uint64_t changes_body(const double *x, int count, double scale, double first)
{
    const double start = first * scale + integer_bits;
    const quad same = {start, start, start, start};
    quad_mask changed = {0};
    int n = 0;
    for (; n + 4 <= count; n += 4) {
        quad value = *(const quad *)(x + n) * scale + integer_bits;
        changed |= (quad_mask)value ^ (quad_mask)same;
    }
    for (; n < count; n++) {
        const double value = x[n] * scale + integer_bits;
        const quad one = {value, start, start, start};
        changed |= (quad_mask)one ^ (quad_mask)same;
    }
    return (uint64_t)(changed[0] | changed[1] | changed[2] | changed[3]);
}
KERNEL(uint64_t, changes, (const double *x, int count, double scale, double first),
       (x, count, scale, first))

BODY bool integers_body(const double *x, int count)
{
    quad_mask broken = {0};
    int n = 0;
    for (; n + 4 <= count; n += 4) {
        const quad value = *(const quad *)(x + n);
        broken |= ((value + integer_bits) - integer_bits != value) &
                  ((value < 0x1p51) & (value > -0x1p51));
    }
    bool good = !(broken[0] | broken[1] | broken[2] | broken[3]);
    for (; n < count; n++)
        good = good && x[n] == trunc(x[n]);
    return good;
}
KERNEL(bool, integers, (const double *x, int count), (x, count))

BODY double largest_sum_body(const double *a, const double *b, int count)
{
    const quad none = {0};
    quad most = {0};
    double largest = 0;
    int n = 0;
    for (; n + 4 <= count; n += 4) {
        quad sum = *(const quad *)(a + n) + *(const quad *)(b + n);
        sum = CHOOSE(sum < none, -sum, sum);
        most = CHOOSE(sum > most, sum, most);
    }
    for (int i = 0; i < 4; i++)
        largest = most[i] > largest ? most[i] : largest;
    for (; n < count; n++)
        largest = fmax(largest, fabs(a[n] + b[n]));
    return largest;
}
KERNEL(double, largest_sum, (const double *a, const double *b, int count), (a, b, count))

/* With y = sign·x, d the difference of the neighbours and c the fall to either side
 * together, the parabola turns at y + d²/(8c). Of samples at the edge of a turn (|d| >
 * 2c) it tells nothing. */
BODY bool turns(const double *x, double least)
{
    double sign = x[0] < 0 ? -1 : 1, y = sign * x[0];
    double d = sign * (x[1] - x[-1]), c = 2 * y - sign * (x[1] + x[-1]);
    return c > 0 && fabs(d) <= 2 * c && d * d > 8 * c * (least - y);
}

/* The same of four, set in *ret. Lanes whose |d| exceeds 2c are left out here already: of
 * a tone near `least` all between its tops and its zero crossings would pass otherwise.
 */
BODY void turns_four(const double *x, double least, quad_mask *ret)
{
    const quad_mask sign = {INT64_MIN, INT64_MIN, INT64_MIN, INT64_MIN};
    const quad middle = *(const quad *)x, before = *(const quad *)(x - 1),
               after = *(const quad *)(x + 1);
    const quad d = after - before, both = middle + middle - (after + before);
    const quad y = (quad)((quad_mask)middle & ~sign), size = (quad)((quad_mask)d & ~sign),
               c = (quad)((quad_mask)both ^ ((quad_mask)middle & sign));
    *ret |= (size <= 2 * c) & (d * d > 8 * c * (least - y));
}

BODY int turn_body(const double *x, int from, int count, double least)
{
    int n = from < 1 ? 1 : from;
    for (; n + 9 <= count; n += 8) {
        quad_mask any = {0};
        turns_four(x + n, least, &any);
        turns_four(x + n + 4, least, &any);
        if (any[0] | any[1] | any[2] | any[3])
            for (int i = 0; i < 8; i++)
                if (turns(x + n + i, least))
                    return n + i;
    }
    for (; n + 1 < count; n++)
        if (turns(x + n, least))
            return n;
    return -1;
}
KERNEL(int, turn, (const double *x, int from, int count, double least),
       (x, from, count, least))
