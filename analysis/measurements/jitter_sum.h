/** The jitter in time that lines of phase modulation add up to. */
#ifndef ANALYSIS_MEASUREMENTS_JITTER_SUM_H
#define ANALYSIS_MEASUREMENTS_JITTER_SUM_H

#include <complex.h>
#include <stdbool.h>

#include "analysis/core/problem.h"

struct jitter_component {
    double hz;
    double complex peak; /* with its phase at one instant common to all */
};

/** Largest less smallest value of Σ Re(peak·e^{2πi·hz·t}) within `span_s` about the
 * common instant: over up to 65536 instants, some 8 of them in a period of the fastest
 * component. A single one is met within 0.1 % of its peaks; two reach their largest sum
 * where their difference turns within the span. 0 without components. OUT_OF_MEMORY. */
bool jitter_sum_peak_to_peak(const struct jitter_component *components, int count,
                             double span_s, double *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
