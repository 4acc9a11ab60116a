#include "analysis/health/breaks_path.h"

#include "analysis/dsp/kernels.h"
#include "analysis/dsp/solve.h"

enum { TAPS = BREAKS_PATH_TAPS };

static const double ridge = 1e-6; /* of the power: signals need not be white */

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
    return power > 0 && solve_symmetric(TAPS, TAPS, matrix[0], ret->weights);
}

double breaks_path_at(const struct breaks_path *path, const double *played)
{
    double sum = 0;
    for (int i = 0; i < TAPS; i++)
        sum += path->weights[i] * played[i];
    return sum;
}
