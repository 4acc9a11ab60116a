#include "analysis/dsp/demodulate.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/lobe_fit.h"
#include "analysis/dsp/wide.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    TAPS = DEMODULATE_TAPS,
    BELOW = LOBE - 1, /* taps before the place itself */
    PIECE = 256,      /* offsets taken at a time, so that all stays in the cache */
};

/* ret[2·count]: each complex number the weighted sum of TAPS of x; count even. */
BODY void shift_body(const double *x, const double *taps, int count, double *ret)
{
    int n = 0;
    for (; n + 16 <= 2 * count; n += 16) { /* enough sums at a time to hide an addition */
        quad a = {0}, b = {0}, c = {0}, d = {0};
        for (int t = 0; t < TAPS; t++) {
            const double *from = x + n + 2 * t;
            a += taps[t] * *(const quad *)from;
            b += taps[t] * *(const quad *)(from + 4);
            c += taps[t] * *(const quad *)(from + 8);
            d += taps[t] * *(const quad *)(from + 12);
        }
        *(quad *)(ret + n) = a;
        *(quad *)(ret + n + 4) = b;
        *(quad *)(ret + n + 8) = c;
        *(quad *)(ret + n + 12) = d;
    }
    for (; n < 2 * count; n += 4) {
        quad sum = {0};
        for (int t = 0; t < TAPS; t++)
            sum += taps[t] * *(const quad *)(x + n + 2 * t);
        *(quad *)(ret + n) = sum;
    }
}
static void shift(const double *x, const double *taps, int count, double *ret);
WIDE_KERNEL(void, shift, shift,
            (const double *x, const double *taps, int count, double *ret),
            (x, taps, count, ret))

/* Where the powers of a piece go, and how. */
struct adding {
    double re, im, scale;
    double *phase, *phase_squares, *amplitude, *amplitude_squares, *upper;
};

/* With u above, l below and v = l*·(re + i·im): phase |u − v|², amplitude |u + v|², upper
 * 4·|u|², all scaled and added up, the first two also squared. Four offsets at a time;
 * `below` runs towards the carrier. */
BODY void add_body(const double *above, const double *below, int count,
                   const struct adding *to)
{
    const quad re = {to->re, -to->re, to->re, -to->re},
               im = {to->im, to->im, to->im, to->im};
    for (int k = 0; k < count; k += 4) {
        const double *from = below + 2 * (count - k);
        const quad u = *(const quad *)(above + 2 * k),
                   w = *(const quad *)(above + 2 * k + 4);
        const quad l = *(const quad *)(from - 4), m = *(const quad *)(from - 8);
        /* l = a + ib: (a − ib)(re + i·im) = (a·re + b·im) + i(a·im − b·re) */
        quad v = __builtin_shufflevector(l, l, 2, 3, 0, 1) * re +
                 __builtin_shufflevector(l, l, 3, 2, 1, 0) * im;
        quad z = __builtin_shufflevector(m, m, 2, 3, 0, 1) * re +
                 __builtin_shufflevector(m, m, 3, 2, 1, 0) * im;
        quad one = (u - v) * (u - v), two = (w - z) * (w - z);
        quad power = (__builtin_shufflevector(one, two, 0, 2, 4, 6) +
                      __builtin_shufflevector(one, two, 1, 3, 5, 7)) *
                     to->scale;
        *(quad *)(to->phase + k) += power;
        *(quad *)(to->phase_squares + k) += power * power;
        one = (u + v) * (u + v);
        two = (w + z) * (w + z);
        power = (__builtin_shufflevector(one, two, 0, 2, 4, 6) +
                 __builtin_shufflevector(one, two, 1, 3, 5, 7)) *
                to->scale;
        *(quad *)(to->amplitude + k) += power;
        *(quad *)(to->amplitude_squares + k) += power * power;
        one = u * u;
        two = w * w;
        *(quad *)(to->upper + k) += (__builtin_shufflevector(one, two, 0, 2, 4, 6) +
                                     __builtin_shufflevector(one, two, 1, 3, 5, 7)) *
                                    (4 * to->scale);
    }
}
static void add(const double *above, const double *below, int count,
                const struct adding *to);
WIDE_KERNEL(void, add, add,
            (const double *above, const double *below, int count,
             const struct adding *to),
            (above, below, count, to))

int demodulate_reach(int length, double carrier_bins)
{
    double nearest = fmin(carrier_bins, length / 2.0 - carrier_bins);
    int reach = (int)floor(nearest) - DEMODULATE_MARGIN_BINS;
    return reach < 4 ? 0 : reach - reach % 4; /* offsets are taken in fours */
}

static int kept_count(int reach)
{
    return 2 * (reach + TAPS) + 1;
}

bool demodulate_new(int length, int reach, struct demodulate *ret,
                    struct problem *problem)
{
    struct demodulate made = {.length = length, .reach = reach};
    assert(reach >= 4 && reach % 4 == 0);
    made.upper = calloc((size_t)reach + 1, sizeof(double));
    made.kept = calloc(2 * (size_t)kept_count(reach), sizeof(double));
    if (!made.upper || !made.kept)
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "No memory for %d bins on each side of a carrier.", reach);
    else if (spectrum_new(2 * reach, reach + 1, &made.phase, problem) &&
             spectrum_new(2 * reach, reach + 1, &made.amplitude, problem)) {
        *ret = made;
        return true;
    }
    demodulate_free(&made);
    return false;
}

void demodulate_free(struct demodulate *demodulate)
{
    free(demodulate->upper);
    free(demodulate->kept);
    spectrum_free(&demodulate->phase);
    spectrum_free(&demodulate->amplitude);
    demodulate->upper = demodulate->kept = NULL;
}

/* The window's transform about a place `rest` of a bin above another, as weights of the
 * bins beside that. Every second one is turned, from the segment's start to its centre.
 * At its ends the window keeps 6e-8, which would lay a pedestal of −180 dB and less about
 * a carrier, falling as 1/distance only. So constant and slope, which is what the plain
 * transform looks like far from a carrier, are taken out of the weights. */
static void fill_taps(const struct window *window, double rest, double sign, double *taps)
{
    const double spread = TAPS * (TAPS * TAPS - 1) / 12.0; /* Σ of squared distances */
    double constant = 0, slope = 0;
    for (int t = 0; t < TAPS; t++) {
        double shape = window_transform(window->kind, rest - (t - BELOW));
        taps[t] = (t - BELOW) % 2 ? -sign * shape : sign * shape;
        constant += taps[t];
        slope += (t - (TAPS - 1) / 2.0) * taps[t];
    }
    for (int t = 0; t < TAPS; t++)
        taps[t] -= constant / TAPS + slope * (t - (TAPS - 1) / 2.0) / spread;
}

/* Fits the carrier to its lobe: the bins about it as the window shows them. */
static struct tone_fit fit_carrier(const double *transform, const struct window *window,
                                   double start_bin)
{
    enum { COUNT = 2 * LOBE_FIT_REACH + 1 };
    double taps[TAPS], raw[2 * (COUNT + TAPS)];
    double complex bins[COUNT];
    int first = (int)lround(start_bin) - LOBE_FIT_REACH;
    fill_taps(window, 0, 1, taps);
    fft_bins(transform, window->length, first - BELOW, COUNT + TAPS, raw);
    for (int i = 0; i < COUNT; i++) {
        bins[i] = 0;
        for (int t = 0; t < TAPS; t++)
            bins[i] += taps[t] * (raw[2 * (i + t)] + I * raw[2 * (i + t) + 1]);
    }
    struct lobe_fit fit = lobe_fit_bins(window, bins, start_bin);
    return lobe_fit_tone(&fit, window->length);
}

/* Adds the sidebands of the segment whose transform stands in the buffer. */
static void add_sidebands(struct demodulate *demodulate, const double *transform,
                          const struct window *window)
{
    const struct demodulate_place *place = &demodulate->place;
    double raw[2 * (PIECE + TAPS)], above[2 * PIECE], below[2 * PIECE];
    double complex turn = conj(place->factor) / place->factor;
    double scale = creal(place->factor * conj(place->factor)) / (4 * window->enbw_bins);
    for (int k = 1; k <= demodulate->reach; k += PIECE) {
        int left = demodulate->reach + 1 - k, count = left < PIECE ? left : PIECE;
        int from = place->whole - BELOW;
        struct adding to = {creal(turn),
                            cimag(turn),
                            scale,
                            demodulate->phase.sum + k,
                            demodulate->phase.sum_squares + k,
                            demodulate->amplitude.sum + k,
                            demodulate->amplitude.sum_squares + k,
                            demodulate->upper + k};
        fft_bins(transform, demodulate->length, from + k, count + TAPS - 1, raw);
        shift(raw, place->taps, count, above);
        fft_bins(transform, demodulate->length, from - k - count + 1, count + TAPS - 1,
                 raw);
        shift(raw, place->taps, count, below);
        add(above, below, count, &to);
    }
}

bool demodulate_take(struct demodulate *demodulate, double *buffer,
                     struct fft_cache *cache, const struct demodulate_segment *segment,
                     struct problem *problem)
{
    const struct window *window = segment->window;
    struct demodulate_place *place = &demodulate->place;
    int length = demodulate->length;
    double lowest = demodulate->reach + LOBE_FIT_REACH + TAPS;
    assert(window->length == length && length % KERNELS_BLOCK == 0);
    for (int n = 0; n < length; n += KERNELS_BLOCK)
        fft_put(buffer, length, n, segment->samples + n, KERNELS_BLOCK);
    if (!fft_forward(cache, length, buffer, NULL, problem))
        return false;
    /* A carrier that leaves the margin is none; what is added then is of no account. */
    double start = segment->start_cycles * length;
    start = fmax(lowest, fmin(length / 2.0 - lowest, start));
    demodulate->carrier = fit_carrier(buffer, window, start);
    demodulate->transform = buffer;
    double bin = demodulate->carrier.cycles * length, whole = floor(bin);
    double complex centre = demodulate->carrier.phasor / 2 * window->sum;
    place->whole = (int)whole;
    place->factor = cabs(centre) > 0 ? 1 / centre : 0;
    fill_taps(window, bin - whole, fmod(whole, 2) == 0 ? 1 : -1, place->taps);
    demodulate->phase.segments++;
    demodulate->amplitude.segments++;
    if (cabs(centre) > 0)
        add_sidebands(demodulate, buffer, window);
    return true;
}

void demodulate_keep(struct demodulate *demodulate)
{
    int count = kept_count(demodulate->reach);
    demodulate->kept_place = demodulate->place;
    fft_bins(demodulate->transform, demodulate->length,
             demodulate->place.whole - demodulate->reach - TAPS, count, demodulate->kept);
}

void demodulate_finish(struct demodulate *demodulate)
{
    spectrum_finish(&demodulate->phase);
    spectrum_finish(&demodulate->amplitude);
    for (int k = 0; k <= demodulate->reach; k++)
        demodulate->upper[k] /= demodulate->phase.segments;
    demodulate->place = demodulate->kept_place;
    demodulate->transform = NULL;
}

double complex demodulate_line(const struct demodulate *demodulate,
                               const struct window *window, double offset)
{
    enum { COUNT = 16 }; /* the lobe's 15 bins, and one more for the vectors */
    const struct demodulate_place *place = &demodulate->place;
    double raw[2 * (COUNT + TAPS)], z[2 * COUNT], shapes = 0;
    double complex sum = 0;
    int centre = (int)lround(offset), first = centre - LOBE, reach = demodulate->reach;
    assert(abs(centre) + LOBE <= reach);
    if (demodulate->transform)
        fft_bins(demodulate->transform, demodulate->length, place->whole + first - BELOW,
                 COUNT + TAPS - 1, raw);
    else
        memcpy(raw, demodulate->kept + 2 * (first - BELOW + reach + TAPS),
               2 * (COUNT + TAPS - 1) * sizeof *raw);
    shift(raw, place->taps, COUNT, z);
    for (int i = 0; i <= 2 * LOBE; i++) {
        double shape = window_transform(window->kind, first + i - offset);
        sum += ((first + i) % 2 ? -shape : shape) * (z[2 * i] + I * z[2 * i + 1]);
        shapes += shape * shape;
    }
    return sum / shapes * window_transform(window->kind, 0) * place->factor;
}
