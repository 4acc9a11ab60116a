#include "analysis/measurements/distortion_overload.h"

#include <math.h>

enum { PHASES = 1024, FEWEST_IN_PHASE = 4 };

static const double nearest = 5e-4; /* of the amplitude */
static const double widest = 0.1;   /* beyond this nothing can be told */
static const double factor = 2;     /* times as much as of a sine */

struct period {
    double mean[PHASES],
        sine[PHASES]; /* recording and sine of amplitude 1, same phases */
    int count[PHASES];
    double step; /* of the quantiser, as far as the samples show it */
};

static void fold(const double *samples, int length, const struct tone_fit *fit,
                 struct period *period)
{
    double start = (carg(fit->phasor) / (2 * M_PI)) - fit->cycles * (length / 2.0);
    *period = (struct period){.step = INFINITY};
    for (int n = 0; n < length; n++) {
        double turns = start + fit->cycles * n;
        int phase = (int)((turns - floor(turns)) * PHASES) % PHASES;
        period->mean[phase] += samples[n];
        period->sine[phase] += cos(2 * M_PI * turns);
        period->count[phase]++;
        double difference = n > 0 ? fabs(samples[n] - samples[n - 1]) : 0;
        if (difference > 0 && difference < period->step)
            period->step = difference;
    }
    for (int i = 0; i < PHASES; i++)
        if (period->count[i] > 0) {
            period->mean[i] /= period->count[i];
            period->sine[i] /= period->count[i];
        }
}

/* Standard deviation of the means of the phases near the top, from the recording's
 * scatter about them there. */
static double scatter(const double *samples, int length, const struct tone_fit *fit,
                      const struct period *period)
{
    const double near_top = 0.98;
    double start = (carg(fit->phasor) / (2 * M_PI)) - fit->cycles * (length / 2.0);
    double squares = 0, phases = 0, count = 0;
    for (int n = 0; n < length; n++) {
        double turns = start + fit->cycles * n;
        int phase = (int)((turns - floor(turns)) * PHASES) % PHASES;
        if (fabs(period->sine[phase]) < near_top)
            continue;
        squares += pow(samples[n] - period->mean[phase], 2);
        count++;
    }
    for (int i = 0; i < PHASES; i++)
        phases += period->count[i] > 0 && fabs(period->sine[i]) >= near_top;
    return count > phases ? sqrt(squares / (count - phases) * phases / count) : 0;
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
    const double sigmas = 6, steps = 2, square_step = 1.5;
    struct period period;
    double amplitude = cabs(fit->phasor);
    fold(samples, length, fit, &period);
    if (!(amplitude > 0))
        return false;
    if (isfinite(period.step) && period.step > square_step * amplitude)
        return true; /* nothing between two levels */
    double near = fmax(nearest, steps * period.step / amplitude);
    near = fmax(near, sigmas * scatter(samples, length, fit, &period) / amplitude);
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
