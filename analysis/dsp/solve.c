#include "analysis/dsp/solve.h"

bool solve_symmetric(int count, int stride, double *matrix, double *values)
{
    for (int i = 0; i < count; i++) {
        const double *row = matrix + i * stride;
        if (!(row[i] > 0))
            return false;
        for (int j = i + 1; j < count; j++) {
            double *below = matrix + j * stride;
            double share = below[i] / row[i];
            for (int k = i; k < count; k++)
                below[k] -= share * row[k];
            values[j] -= share * values[i];
        }
    }
    for (int i = count - 1; i >= 0; i--) {
        const double *row = matrix + i * stride;
        for (int k = i + 1; k < count; k++)
            values[i] -= row[k] * values[k];
        values[i] /= row[i];
    }
    return true;
}
