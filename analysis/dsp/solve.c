#include "analysis/dsp/solve.h"

#include <math.h>

bool solve_symmetric(int count, int stride, double *matrix, double *values)
{
    for (int i = 0; i < count; i++) {
        double *row = matrix + i * stride;
        for (int j = 0; j <= i; j++) {
            const double *above = matrix + j * stride;
            double sum = row[j];
            for (int k = 0; k < j; k++)
                sum -= row[k] * above[k];
            if (i == j && !(sum > 0))
                return false;
            row[j] = i == j ? sqrt(sum) : sum / above[j];
        }
        for (int k = 0; k < i; k++)
            values[i] -= row[k] * values[k];
        values[i] /= row[i];
    }
    for (int i = count - 1; i >= 0; i--) {
        for (int k = i + 1; k < count; k++)
            values[i] -= matrix[k * stride + i] * values[k];
        values[i] /= matrix[i * stride + i];
    }
    return true;
}
