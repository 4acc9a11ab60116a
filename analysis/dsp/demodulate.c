#include "analysis/dsp/demodulate.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/lobe_fit.h"
#include "analysis/dsp/wide.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    TAPS = 2 * LOBE + 2,
    BELOW = LOBE, /* taps before the place itself */
};

/* How the bins become powers: see take_powers. */
struct turn {
    double re, im, scale;
};

/* ret[2·count]: each complex number the weighted sum of TAPS of x. */
BODY void shift_body(const double *x, const double *taps, int count, double *ret)
{
    int n = 0;
    for (; n + 8 <= 2 * count; n += 8) {
        quad low = {0}, high = {0};
        for (int t = 0; t < TAPS; t++) {
            low += taps[t] * *(const quad *)(x + n + 2 * t);
            high += taps[t] * *(const quad *)(x + n + 2 * t + 4);
        }
        *(quad *)(ret + n) = low;
        *(quad *)(ret + n + 4) = high;
    }
    for (; n < 2 * count; n++) {
        ret[n] = 0;
        for (int t = 0; t < TAPS; t++)
            ret[n] += taps[t] * x[n + 2 * t];
    }
}
static void shift(const double *x, const double *taps, int count, double *ret);
WIDE_KERNEL(void, shift, shift,
            (const double *x, const double *taps, int count, double *ret),
            (x, taps, count, ret))

/* With u above, l below and v = l*·(re + i·im): phase |u − v|², amplitude |u + v|², upper
 * 4·|u|², all scaled and added up, the first two also squared. Two offsets at a time,
 * from 1 on; `centre` is the carrier's own bin. */
BODY void add_body(const double *centre, int pairs, struct turn turn,
                   const struct demodulate *ret)
{
    const quad re = {turn.re, turn.re, turn.re, turn.re},
               im = {turn.im, -turn.im, turn.im, -turn.im}, conjugate = {1, -1, 1, -1};
    for (int i = 0; i < pairs; i++) {
        int k = 1 + 2 * i;
        const quad u = *(const quad *)(centre + 2 * k),
                   below = *(const quad *)(centre - 2 * (k + 1));
        quad l = __builtin_shufflevector(below, below, 2, 3, 0, 1) * conjugate;
        quad v = l * re - __builtin_shufflevector(l, l, 1, 0, 3, 2) * im;
        quad minus = (u - v) * (u - v), plus = (u + v) * (u + v), own = u * u;
        quad both = (__builtin_shufflevector(minus, plus, 0, 2, 4, 6) +
                     __builtin_shufflevector(minus, plus, 1, 3, 5, 7)) *
                    turn.scale;
        ret->phase.sum[k] += both[0];
        ret->phase.sum[k + 1] += both[1];
        ret->amplitude.sum[k] += both[2];
        ret->amplitude.sum[k + 1] += both[3];
        both *= both;
        ret->phase.sum_squares[k] += both[0];
        ret->phase.sum_squares[k + 1] += both[1];
        ret->amplitude.sum_squares[k] += both[2];
        ret->amplitude.sum_squares[k + 1] += both[3];
        ret->upper[k] += 4 * turn.scale * (own[0] + own[1]);
        ret->upper[k + 1] += 4 * turn.scale * (own[2] + own[3]);
    }
}
static void add(const double *centre, int pairs, struct turn turn,
                const struct demodulate *ret);
WIDE_KERNEL(void, add, add,
            (const double *centre, int pairs, struct turn turn,
             const struct demodulate *ret),
            (centre, pairs, turn, ret))

int demodulate_reach(int length, double carrier_bins)
{
    double nearest = fmin(carrier_bins, length / 2.0 - carrier_bins);
    int reach = (int)floor(nearest) - DEMODULATE_MARGIN_BINS;
    return reach < 2 ? 0 : reach - reach % 2; /* offsets are taken in twos */
}

bool demodulate_work_new(int length, struct demodulate_work *ret, struct problem *problem)
{
    size_t bins = 2 * ((size_t)length / 2 + 1) * sizeof(double);
    struct demodulate_work made = {fft_buffer_new(length), malloc(bins), malloc(bins)};
    if (!made.buffer || !made.bins || !made.about) {
        demodulate_work_free(&made);
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory to demodulate a segment of %d samples.", length);
    }
    *ret = made;
    return true;
}

void demodulate_work_free(struct demodulate_work *work)
{
    fft_buffer_free(work->buffer);
    free(work->bins);
    free(work->about);
    *work = (struct demodulate_work){NULL, NULL, NULL};
}

bool demodulate_new(int length, int reach, struct demodulate *ret,
                    struct problem *problem)
{
    struct demodulate made = {.length = length, .reach = reach};
    assert(reach >= 2 && reach % 2 == 0);
    made.upper = calloc((size_t)reach + 1, sizeof(double));
    if (!made.upper)
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
    spectrum_free(&demodulate->phase);
    spectrum_free(&demodulate->amplitude);
    demodulate->upper = NULL;
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

/* Adds the sidebands in `work` to the sums. */
static void add_sidebands(struct demodulate *demodulate, const struct window *window)
{
    double complex centre = demodulate->carrier.phasor / 2 * window->sum;
    double power = creal(centre) * creal(centre) + cimag(centre) * cimag(centre);
    demodulate->factor = 0;
    demodulate->phase.segments++;
    demodulate->amplitude.segments++;
    if (!(power > 0))
        return;
    double complex turn = centre * centre / power;
    struct turn how = {creal(turn), cimag(turn), 1 / (4 * window->enbw_bins * power)};
    demodulate->factor = 1 / centre;
    add(demodulate->about + 2 * demodulate->reach, demodulate->reach / 2, how,
        demodulate);
}

bool demodulate_take(struct demodulate *demodulate, const struct demodulate_work *work,
                     struct fft_cache *cache, const struct demodulate_segment *segment,
                     struct problem *problem)
{
    const struct window *window = segment->window;
    int length = demodulate->length, reach = demodulate->reach, count = 2 * reach + 1;
    double lowest = reach + LOBE_FIT_REACH + BELOW, taps[TAPS];
    assert(window->length == length && length % KERNELS_BLOCK == 0);
    for (int n = 0; n < length; n += KERNELS_BLOCK)
        fft_put(work->buffer, length, n, segment->samples + n, KERNELS_BLOCK);
    if (!fft_forward(cache, length, work->buffer, NULL, problem))
        return false;
    /* A carrier that leaves the margin is none; what is added then is of no account. */
    double start = segment->start_cycles * length;
    start = fmax(lowest, fmin(length / 2.0 - lowest, start));
    demodulate->carrier = fit_carrier(work->buffer, window, start);
    double bin = demodulate->carrier.cycles * length, whole = floor(bin);
    fill_taps(window, bin - whole, fmod(whole, 2) == 0 ? 1 : -1, taps);
    fft_bins(work->buffer, length, (int)whole - reach - BELOW, count + TAPS, work->bins);
    shift(work->bins, taps, count, work->about);
    demodulate->about = work->about;
    add_sidebands(demodulate, window);
    return true;
}

void demodulate_finish(struct demodulate *demodulate)
{
    spectrum_finish(&demodulate->phase);
    spectrum_finish(&demodulate->amplitude);
    for (int k = 0; k <= demodulate->reach; k++)
        demodulate->upper[k] /= demodulate->phase.segments;
}

double complex demodulate_line(const struct demodulate *demodulate,
                               const struct window *window, double offset)
{
    double complex sum = 0;
    double shapes = 0;
    int centre = (int)lround(offset), reach = demodulate->reach;
    assert(abs(centre) + LOBE <= reach);
    for (int j = centre - LOBE; j <= centre + LOBE; j++) {
        double shape = window_transform(window->kind, j - offset);
        const double *z = demodulate->about + 2 * (reach + j);
        sum += (j % 2 ? -shape : shape) * (z[0] + I * z[1]);
        shapes += shape * shape;
    }
    return sum / shapes * window_transform(window->kind, 0) * demodulate->factor;
}
