#include "analysis/measurements/jitter_sum.h"

#include <math.h>
#include <stdlib.h>

enum { MOST_INSTANTS = 1 << 16 };

/* No simple ratio, or a line would be met at the same few places of its period. */
static const double per_period = 8.1739;

static void add(const struct jitter_component *component, double step_s, int instants,
                double *sum)
{
    double cycles = component->hz * step_s;
    double complex turn = cexp(2 * M_PI * I * cycles);
    double complex at = component->peak * cexp(-M_PI * I * cycles * instants);
    for (int n = 0; n < instants; n++) {
        sum[n] += creal(at);
        at *= turn;
    }
}

bool jitter_sum_peak_to_peak(const struct jitter_component *components, int count,
                             double span_s, double *ret, struct problem *problem)
{
    double fastest_hz = 0, lowest = 0, highest = 0;
    double *sum = calloc(MOST_INSTANTS, sizeof *sum);
    if (!sum)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory to add up %d sidebands.", count);
    for (int i = 0; i < count; i++)
        fastest_hz = fmax(fastest_hz, components[i].hz);
    double step_s = 1 / (per_period * fastest_hz), most = span_s / step_s;
    int instants = most < MOST_INSTANTS ? (int)most : MOST_INSTANTS;
    for (int i = 0; i < count; i++)
        add(&components[i], step_s, instants, sum);
    for (int n = 0; n < instants; n++) {
        lowest = fmin(lowest, sum[n]);
        highest = fmax(highest, sum[n]);
    }
    free(sum);
    *ret = highest - lowest;
    return true;
}
