#include "analysis/measurements/distortion_overload.h"

#include <math.h>

#include "analysis/dsp/kernels.h"

enum { PHASES = KERNELS_PHASES, FEWEST_IN_PHASE = 4 };

static const double nearest = 5e-4; /* of the amplitude */
static const double widest = 0.1;   /* beyond this nothing can be told */
static const double steps = 2;      /* of the quantiser are as good as none */
static const double factor = 2;     /* times as much as of a sine */

struct period {
    double mean[PHASES],
        sine[PHASES]; /* recording and sine of amplitude 1, same phases */
    int count[PHASES];
    double scatter; /* standard deviation of the means near the top */
    double step;    /* of the quantiser, as far as the samples show it */
};

static void fold(const double *samples, int length, const struct tone_fit *fit,
                 struct period *period)
{
    const double near_top = 0.98;
    const double width = 2 * M_PI / PHASES;
    double sums[PHASES][4] = {{0}};
    double squares = 0, tops = 0, count = 0;
    double fine = nearest / steps * cabs(fit->phasor); /* finer makes no difference */
    *period = (struct period){.step = kernels_smallest_step(samples, length, fine)};
    double start = (carg(fit->phasor) / (2 * M_PI)) - fit->cycles * (length / 2.0);
    kernels_fold(samples, length, start - floor(start), fit->cycles, sums, period->count);
    for (int i = 0; i < PHASES; i++) {
        double n = period->count[i], middle = (i + 0.5) * width;
        if (n == 0)
            continue;
        period->mean[i] = sums[i][0] / n;
        /* The mean cosine, to second order in the offset: 5e-9 at most is left out. */
        period->sine[i] = cos(middle) * (1 - sums[i][3] * width * width / n / 2) -
                          sin(middle) * sums[i][2] * width / n;
        if (fabs(period->sine[i]) < near_top)
            continue;
        squares += fmax(sums[i][1] - n * period->mean[i] * period->mean[i], 0);
        tops++;
        count += n;
    }
    if (count > tops)
        period->scatter = sqrt(squares / (count - tops) * tops / count);
}

/* How much of the period lies within `near` of the extreme on one side (sign ±1). */
static int phases_near(const double *values, const struct period *period, double sign,
                       double near)
{
    double extreme = -INFINITY;
    int found = 0;
    for (int i = 0; i < PHASES; i++)
        if (period->count[i] >= FEWEST_IN_PHASE)
            extreme = fmax(extreme, sign * values[i]);
    for (int i = 0; i < PHASES; i++)
        found +=
            period->count[i] >= FEWEST_IN_PHASE && sign * values[i] >= extreme - near;
    return found;
}

bool distortion_overload_is_flat(const double *samples, int length,
                                 const struct tone_fit *fit)
{
    const double sigmas = 6, square_step = 1.5;
    struct period period;
    double amplitude = cabs(fit->phasor);
    fold(samples, length, fit, &period);
    if (!(amplitude > 0))
        return false;
    if (isfinite(period.step) && period.step > square_step * amplitude)
        return true; /* nothing between two levels */
    double near = fmax(nearest, steps * period.step / amplitude);
    near = fmax(near, sigmas * period.scatter / amplitude);
    if (!(near < widest))
        return false;
    for (int sign = -1; sign <= 1; sign += 2) {
        int flat = phases_near(period.mean, &period, sign, near * amplitude);
        int sine = phases_near(period.sine, &period, sign, near);
        if (flat > factor * sine + 1)
            return true;
    }
    return false;
}
