#include "analysis/health/breaks_path.h"

#include <math.h>

#include "analysis/dsp/kernels.h"

enum { TAPS = BREAKS_PATH_TAPS };

static const double ridge = 1e-6; /* of the power: signals need not be white */

/* Solves matrix·x = x by Cholesky's decomposition, in place. */
static bool solve(double matrix[TAPS][TAPS], double *x)
{
    for (int i = 0; i < TAPS; i++)
        for (int j = 0; j <= i; j++) {
            double sum = matrix[i][j];
            for (int k = 0; k < j; k++)
                sum -= matrix[i][k] * matrix[j][k];
            if (i > j)
                matrix[i][j] = sum / matrix[j][j];
            else if (sum > 0)
                matrix[i][i] = sqrt(sum);
            else
                return false;
        }
    for (int i = 0; i < TAPS; i++) {
        for (int k = 0; k < i; k++)
            x[i] -= matrix[i][k] * x[k];
        x[i] /= matrix[i][i];
    }
    for (int i = TAPS - 1; i >= 0; i--) {
        for (int k = i + 1; k < TAPS; k++)
            x[i] -= matrix[k][i] * x[k];
        x[i] /= matrix[i][i];
    }
    return true;
}

bool breaks_path_fit(const double *samples, const double *played, int count,
                     struct breaks_path *ret)
{
    double matrix[TAPS][TAPS];
    for (int i = 0; i < TAPS; i++) {
        for (int j = 0; j <= i; j++)
            matrix[i][j] = kernels_weighted_sum(played + i, played + j, count);
        ret->weights[i] = kernels_weighted_sum(samples, played + i, count);
    }
    double power = matrix[BREAKS_PATH_SIDE][BREAKS_PATH_SIDE];
    for (int i = 0; i < TAPS; i++)
        matrix[i][i] += ridge * power;
    return power > 0 && solve(matrix, ret->weights);
}

double breaks_path_at(const struct breaks_path *path, const double *played)
{
    double sum = 0;
    for (int i = 0; i < TAPS; i++)
        sum += path->weights[i] * played[i];
    return sum;
}
