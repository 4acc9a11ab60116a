#include "analysis/signals/level.h"

#include <math.h>

double level_peak(double level_dbfs)
{
    double nepers = level_dbfs * (M_LN10 / 20);
    double octaves = nearbyint(nepers / M_LN2);
    double rest = nepers - octaves * M_LN2, sum = 0;
    for (int n = 18; n > 0; n--) /* Taylor; what is left out is below 1e-25 */
        sum = (1 + sum) * rest / n;
    return ldexp(1 + sum, (int)octaves);
}
