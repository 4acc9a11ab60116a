/** Small systems of linear equations, as least squares make them. */
#ifndef ANALYSIS_DSP_SOLVE_H
#define ANALYSIS_DSP_SOLVE_H

#include <stdbool.h>

/** Solves matrix · x = values by Cholesky's decomposition. The matrix [count · stride],
 * row after row, is symmetric and positive definite: only what stands on its diagonal and
 * to the left of it is looked at, and used up. values[count] becomes x. False: not
 * positive definite. */
bool solve_symmetric(int count, int stride, double *matrix, double *values)
    __attribute__((warn_unused_result));

#endif
