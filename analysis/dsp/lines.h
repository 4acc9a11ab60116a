/**
 * Discrete lines in an averaged power spectrum taken through the 7-term window.
 *
 * A bin is a line when it is a local maximum and exceeds the local density (the larger of
 * the medians on its two sides, so that a slope makes no line) by the factor that noise
 * passes with probability 1e-3 anywhere in the range searched. Of overlapping ones the
 * strongest is taken. Power is the sum over the main lobe less the density.
 */
#ifndef ANALYSIS_DSP_LINES_H
#define ANALYSIS_DSP_LINES_H

#include "analysis/core/problem.h"
#include "analysis/dsp/spectrum.h"

struct line {
    int peak;       /* bin */
    double bin;     /* interpolated; within 0.02 bin for a line 20 dB above its density */
    double power;   /* mean square */
    double density; /* mean square per bin beside it */
};

struct line_list {
    struct line *lines; /* strongest first */
    int count;
};

struct line_search {
    struct bins range;  /* where to look */
    struct bins hidden; /* not looked at (the fundamental) */
    double floor;       /* peaks below this mean square are numerical dust */
};

/** spectrum: finished. Gives the list (free with lines_free). OUT_OF_MEMORY. */
bool lines_find(const struct spectrum *spectrum, const struct line_search *search,
                struct line_list *ret, struct problem *problem)
    __attribute__((warn_unused_result));
void lines_free(struct line_list *list);

/** The strongest bin of `range`, if it is a local maximum and exceeds the local density
 * by `threshold`: fills *ret, its power being that of its whole lobe less the density.
 * For where a line is expected; the rest of the spectrum is not looked at. */
bool lines_at(const struct spectrum *spectrum, struct bins range, double threshold,
              struct line *ret) __attribute__((warn_unused_result));

/** Peak position by the parabola through the logarithms of a peak bin and its neighbours
 *  (the main lobe is close to a Gaussian). 0 < peak < bins − 1. */
double lines_interpolate(const double *powers, int peak);

#endif
