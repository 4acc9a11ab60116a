#include "analysis/health/levels_period.h"

#include <math.h>

#include "analysis/dsp/kernels.h"
#include "analysis/dsp/solve.h"

enum {
    PHASES = KERNELS_PHASES,
    FEWEST_IN_PHASE = 4,
    FEWEST_FLAT = 4, /* phases */
    MOST_UNKNOWNS = 7,
    SINE_UNKNOWNS = 3,
    PHASES_PER_UNKNOWN = 3,
};

static const double narrowest = 1e-6, widest = 0.05; /* bands, of the amplitude */
static const double band_steps = 2, band_sigmas = 6, widening = 2;
static const double most_scatter = 0.1; /* of the amplitude: else it is no steady tone */
static const double least_outside = 0.16, for_harmonics = 0.6; /* of the period */
static const double clear = 8;           /* times what moves or is left */
static const double least_excess = 1e-4; /* of the amplitude */
static const double most_overload = 4;   /* the fit's top, of the amplitude */

/* The phases that were met often enough, in order. */
struct period {
    int phases;
    double mean[PHASES], count[PHASES];
    double squares[PHASES]; /* Σ about the mean, in each phase */
    double spread[PHASES];  /* Σ of squared distances from their mean, in phases */
    double row[PHASES][MOST_UNKNOWNS]; /* 1, cos, sin, cos 2, sin 2, … of the phase */
    int side[PHASES];                  /* 1: in the upper band, −1: in the lower */
    double high, low, amplitude;
    double noise; /* of the means */
    double step;  /* of the quantiser */
};

static void fill_row(double angle, double row[MOST_UNKNOWNS])
{
    row[0] = 1;
    for (int k = 1; 2 * k < MOST_UNKNOWNS; k++) {
        row[2 * k - 1] = cos(k * angle);
        row[2 * k] = sin(k * angle);
    }
}

/* Of the means: what the samples of a phase scatter beyond the slope of the wave. */
static double noise_of(const struct period *period)
{
    double squares = 0, used = 0;
    int last = period->phases - 1;
    for (int i = 0; i <= last; i++) {
        /* Few phases lie far apart, and then the samples of each lie close together. */
        double slope = period->phases < PHASES ? 0
                                               : (period->mean[i < last ? i + 1 : 0] -
                                                  period->mean[i > 0 ? i - 1 : last]) /
                                                     2;
        squares += fmax(period->squares[i] - slope * slope * period->spread[i], 0);
        used += period->count[i];
    }
    return sqrt(squares / used / used * period->phases);
}

static void fold(const double *samples, int length, const struct tone_fit *fit,
                 struct period *ret)
{
    double sums[PHASES][4] = {{0}};
    int counts[PHASES] = {0};
    double start = carg(fit->phasor) / (2 * M_PI) - fit->cycles * (length / 2.0);
    *ret = (struct period){.high = -INFINITY, .low = INFINITY};
    kernels_fold(samples, length, start - floor(start), fit->cycles, sums, counts);
    for (int i = 0; i < PHASES; i++) {
        double n = counts[i];
        if (counts[i] < FEWEST_IN_PHASE)
            continue;
        double mean = sums[i][0] / n;
        ret->mean[ret->phases] = mean;
        ret->squares[ret->phases] = sums[i][1] - n * mean * mean;
        ret->spread[ret->phases] = sums[i][3] - sums[i][2] * sums[i][2] / n;
        fill_row(2 * M_PI / PHASES * (i + 0.5 + sums[i][2] / n), ret->row[ret->phases]);
        ret->count[ret->phases++] = n;
        ret->high = fmax(ret->high, mean);
        ret->low = fmin(ret->low, mean);
    }
    ret->amplitude = (ret->high - ret->low) / 2;
    ret->noise = noise_of(ret);
    ret->step = kernels_smallest_step(samples, length, narrowest * ret->amplitude);
}

/* Marks the bands; gives the share of the period that is outside. */
static double mark(struct period *period, double band)
{
    int outside = 0;
    for (int i = 0; i < period->phases; i++) {
        bool high = period->mean[i] >= period->high - band;
        bool low = period->mean[i] <= period->low + band;
        period->side[i] = high ? 1 : low ? -1 : 0;
        outside += !high && !low;
    }
    return (double)outside / period->phases;
}

static double value_at(const double *row, int unknowns, const double *coefficients)
{
    double sum = 0;
    for (int i = 0; i < unknowns; i++)
        sum += row[i] * coefficients[i];
    return sum;
}

/* Least squares over the phases outside the bands; *ret_rest: rms of what is left. */
static bool fit_outside(const struct period *period, int unknowns, double *coefficients,
                        double *ret_rest)
{
    double matrix[MOST_UNKNOWNS * MOST_UNKNOWNS] = {0}, squares = 0;
    int outside = 0;
    for (int j = 0; j < unknowns; j++)
        coefficients[j] = 0;
    for (int i = 0; i < period->phases; i++) {
        if (period->side[i] != 0)
            continue;
        const double *row = period->row[i];
        outside++;
        for (int j = 0; j < unknowns; j++) {
            coefficients[j] += row[j] * period->mean[i];
            for (int k = 0; k <= j; k++)
                matrix[j * MOST_UNKNOWNS + k] += row[j] * row[k];
        }
    }
    if (outside < PHASES_PER_UNKNOWN * unknowns ||
        !solve_symmetric(unknowns, MOST_UNKNOWNS, matrix, coefficients))
        return false;
    for (int i = 0; i < period->phases; i++) {
        double left = period->mean[i] - value_at(period->row[i], unknowns, coefficients);
        squares += period->side[i] == 0 ? left * left : 0;
    }
    *ret_rest = sqrt(squares / (outside - unknowns));
    return true;
}

/* Whether one side (±1) stands still where the fit goes on. */
static bool is_cut(const struct period *period, int side, int unknowns,
                   const double *coefficients, double rest,
                   struct levels_period_tops *ret)
{
    double sum = 0, squares = 0, fitted = 0, top = 0, samples = 0;
    double middle = (period->high + period->low) / 2, count = 0;
    for (int i = 0; i < period->phases; i++) {
        if (period->side[i] != side)
            continue;
        double mean = side * (period->mean[i] - middle);
        double fit = side * (value_at(period->row[i], unknowns, coefficients) - middle);
        count++;
        sum += mean;
        squares += mean * mean;
        fitted += fit;
        top = fmax(top, fit);
        samples += period->count[i];
    }
    double moving = sqrt(fmax(squares / count - sum / count * sum / count, 0));
    double excess = (fitted - sum) / count;
    *ret =
        (struct levels_period_tops){fabs(middle + side * sum / count), (int64_t)samples};
    return count >= FEWEST_FLAT && excess >= least_excess * period->amplitude &&
           excess >= clear * fmax(moving, rest) &&
           top <= most_overload * period->amplitude;
}

static bool look(const struct period *period, double outside,
                 struct levels_period_tops *ret)
{
    int unknowns = outside >= for_harmonics ? MOST_UNKNOWNS : SINE_UNKNOWNS;
    double coefficients[MOST_UNKNOWNS], rest;
    struct levels_period_tops all = {0}, tops;
    bool found = false;
    if (!fit_outside(period, unknowns, coefficients, &rest))
        return false;
    for (int side = -1; side <= 1; side += 2) {
        if (!is_cut(period, side, unknowns, coefficients, rest, &tops))
            continue;
        found = true;
        all.level = fmax(all.level, tops.level);
        all.samples += tops.samples;
    }
    if (found)
        *ret = all;
    return found;
}

bool levels_period_is_clipped(const double *samples, int length,
                              const struct tone_fit *fit, struct levels_period_tops *ret)
{
    struct period period;
    fold(samples, length, fit, &period);
    double amplitude = period.amplitude;
    if (period.phases < PHASES_PER_UNKNOWN * SINE_UNKNOWNS ||
        !(period.noise * sqrt((double)length / period.phases) < most_scatter * amplitude))
        return false;
    double band = fmax(narrowest * amplitude, band_steps * period.step);
    band = fmax(band, band_sigmas * period.noise);
    for (; band <= widest * amplitude; band *= widening) {
        double outside = mark(&period, band);
        if (outside < least_outside)
            return false;
        if (look(&period, outside, ret))
            return true;
    }
    return false;
}
