#include "analysis/health/breaks_tone.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/solve.h"

enum {
    UNKNOWNS = 5, /* cosine and sine part, offset, frequency, rate */
    LINEAR = 3,
    MOST_STEPS = 12,
    PATIENCE = 3, /* steps after which it shows whether it will come to something */
    FEWEST_PERIODS = 2,
    PER_PERIOD = 32, /* samples; more are averaged */
};

static const double explained = 0.1;        /* rest re amplitude */
static const double hopeless = 0.1;         /* power of the rest re amplitude squared */
static const double explained_sweep = 0.01; /* a parabola of phase must do for it */

/* What is fitted: time runs from −1 or to 1 over the stretch. */
struct stretch {
    double *values; /* [count] */
    int count;
    double first, step; /* times of the values */
};

struct unknowns {
    double re, im, offset, turns, bend; /* over the whole stretch */
};

double breaks_tone_phase(const struct breaks_tone *tone, double t)
{
    return tone->phase + 2 * M_PI * (tone->cycles * t + tone->rate * t * t / 2);
}

double breaks_tone_cycles(const struct breaks_tone *tone, double t)
{
    return tone->cycles + tone->rate * t;
}

double breaks_tone_at(const struct breaks_tone *tone, double t)
{
    return tone->amplitude * cos(breaks_tone_phase(tone, t)) + tone->offset;
}

/* One step towards the least squares; with LINEAR unknowns the frequency stays. Sums the
 * squares of what was left before the step. */
static bool improve(const struct stretch *stretch, int unknowns, struct unknowns *at,
                    double *ret_squares)
{
    double matrix[UNKNOWNS][UNKNOWNS] = {{0}}, right[UNKNOWNS] = {0}, squares = 0;
    for (int n = 0; n < stretch->count; n++) {
        double t = stretch->first + n * stretch->step;
        double angle = 2 * M_PI * (at->turns * t + at->bend * t * t / 2);
        double c = cos(angle), s = sin(angle);
        double rest = stretch->values[n] - (at->re * c - at->im * s + at->offset);
        double slope = -2 * M_PI * (at->re * s + at->im * c);
        const double row[UNKNOWNS] = {c, -s, 1, slope * t, slope * t * t / 2};
        squares += rest * rest;
        for (int i = 0; i < unknowns; i++) {
            for (int j = 0; j <= i; j++)
                matrix[i][j] += row[i] * row[j];
            right[i] += row[i] * rest;
        }
    }
    *ret_squares = squares;
    if (!solve_symmetric(unknowns, UNKNOWNS, matrix[0], right))
        return false;
    at->re += right[0];
    at->im += right[1];
    at->offset += right[2];
    if (unknowns == UNKNOWNS) {
        at->turns += right[3];
        at->bend += right[4];
    }
    return true;
}

static bool settle(const struct stretch *stretch, struct unknowns *at,
                   double *ret_squares)
{
    double last = INFINITY;
    if (!improve(stretch, LINEAR, at, ret_squares))
        return false;
    for (int i = 0; i < MOST_STEPS; i++) {
        if (!improve(stretch, UNKNOWNS, at, ret_squares) || !isfinite(at->turns))
            return false;
        if (*ret_squares >= 0.999 * last)
            return true;
        double power = at->re * at->re + at->im * at->im;
        if (i >= PATIENCE && !(*ret_squares < hopeless * power * stretch->count))
            return false;
        last = *ret_squares;
    }
    return improve(stretch, LINEAR, at, ret_squares);
}

/* Cycles per sample of the largest line of samples[length], to a tenth of a bin. */
static bool largest_line(struct fft_cache *cache, const double *samples, int length,
                         double *ret, struct problem *problem)
{
    const struct window *window;
    bool good = false;
    double mean = 0;
    double *buffer = fft_buffer_new(length),
           *windowed = malloc(sizeof *windowed * (size_t)length);
    if (!buffer || !windowed) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "No memory for a transform of %d samples.", length);
        goto out;
    }
    if (!fft_window(cache, WINDOW_HANN, length, &window, problem))
        goto out;
    for (int n = 0; n < length; n++)
        mean += samples[n] / length;
    for (int n = 0; n < length; n++)
        windowed[n] = (samples[n] - mean) * window->values[n];
    fft_put(buffer, length, 0, windowed, length);
    if (!fft_forward(cache, length, buffer, NULL, problem))
        goto out;
    int peak = 1;
    double most = 0;
    for (int bin = 1; bin < length / 2; bin++) {
        double complex line = fft_bin(buffer, length, bin);
        double power = creal(line) * creal(line) + cimag(line) * cimag(line);
        if (power > most) {
            most = power;
            peak = bin;
        }
    }
    /* Under Hann's window neighbours tell the place: (2r − 1)/(r + 1) bins away. */
    double middle = cabs(fft_bin(buffer, length, peak));
    double below = cabs(fft_bin(buffer, length, peak - 1));
    double above = cabs(fft_bin(buffer, length, peak + 1));
    double ratio = fmax(below, above) / fmax(middle, 1e-300);
    double away = fmax((2 * ratio - 1) / (ratio + 1), 0);
    *ret = (peak + (above > below ? away : -away)) / length;
    good = true;
out:
    free(windowed);
    fft_buffer_free(buffer);
    return good;
}

/* Averages some samples to one where there are many to a period. */
static bool make_stretch(const struct breaks_side *side, int length, int some,
                         struct stretch *ret, struct problem *problem)
{
    const double *from = side->samples + (side->before ? side->count - length : 0);
    struct stretch stretch = {.count = length / some};
    stretch.values = malloc(sizeof *stretch.values * (size_t)stretch.count);
    if (!stretch.values)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for %d samples.", stretch.count);
    for (int i = 0; i < stretch.count; i++) {
        double sum = 0;
        for (int n = 0; n < some; n++)
            sum += from[i * some + n];
        stretch.values[i] = sum / some;
    }
    stretch.first = (some - 1) / 2.0 / length - (side->before ? 1 : 0);
    stretch.step = (double)some / length;
    *ret = stretch;
    return true;
}

static struct breaks_tone tone_of(const struct unknowns *at,
                                  const struct stretch *stretch, int length,
                                  double squares)
{
    double amplitude = hypot(at->re, at->im), count = stretch->count;
    double rest = sqrt(squares / count);
    bool bends = fabs(at->bend) > 0.003 * at->turns;
    if (!(rest <= (bends ? explained_sweep : explained) * amplitude))
        return (struct breaks_tone){0};
    double noise = M_SQRT2 * rest / amplitude / sqrt(count);
    return (struct breaks_tone){
        .amplitude = amplitude,
        .phase = atan2(at->im, at->re),
        .cycles = at->turns / length,
        .rate = at->bend / length / length,
        .offset = at->offset,
        .rest = rest * sqrt(length / count), /* noise that was averaged */
        .length = length,
        /* Of a parabola fitted to phases, at its end: 3 and √192 times. */
        .phase_sigma = 3 * noise,
        .cycles_sigma = sqrt(192) * noise / (2 * M_PI * length),
    };
}

static bool fit_length(struct fft_cache *cache, const struct breaks_side *side,
                       int length, struct breaks_tone *ret, struct problem *problem)
{
    struct stretch stretch = {0};
    double cycles, squares;
    const double *from = side->samples + (side->before ? side->count - length : 0);
    *ret = (struct breaks_tone){0};
    if (!largest_line(cache, from, length, &cycles, problem))
        return false;
    if (cycles * length < FEWEST_PERIODS)
        return true;
    int some = (int)(1 / (cycles * PER_PERIOD));
    if (!make_stretch(side, length, some < 1 ? 1 : some, &stretch, problem))
        return false;
    struct unknowns at = {.turns = cycles * length};
    if (settle(&stretch, &at, &squares) && at.turns > 0)
        *ret = tone_of(&at, &stretch, length, squares);
    if (some > 1 && ret->amplitude > 0) /* averaging takes from it */
        ret->amplitude *= some * sin(M_PI * ret->cycles) / sin(M_PI * ret->cycles * some);
    free(stretch.values);
    return true;
}

bool breaks_tone_fit(struct fft_cache *cache, const struct breaks_side *side,
                     struct breaks_tone *ret, struct problem *problem)
{
    int length = BREAKS_TONE_SHORTEST;
    *ret = (struct breaks_tone){0};
    while (2 * length <= side->count)
        length *= 2;
    for (; length >= BREAKS_TONE_SHORTEST && length <= side->count; length /= 4) {
        if (!fit_length(cache, side, length, ret, problem))
            return false;
        if (ret->amplitude > 0)
            return true;
    }
    return true;
}
