#include "analysis/measurements/mains.h"

#include <math.h>

static const double wander = 0.004; /* of a grid's frequency: 0.2 Hz in 50 */

double mains_hz(enum mains_family family, int m)
{
    return m * (family == MAINS_60 ? 60 : 50);
}

struct bins mains_lobe(enum mains_family family, int m, double bin_hz)
{
    double bin = mains_hz(family, m) / bin_hz;
    struct bins lobe = bins_lobe(bin);
    int more = (int)ceil(wander * bin);
    return (struct bins){lobe.first - more, lobe.last + more};
}

bool mains_is(double hz)
{
    const double least_hz = 1;
    for (int family = 0; family < MAINS_FAMILIES; family++) {
        double base = mains_hz((enum mains_family)family, 1), m = round(hz / base);
        if (m >= 1 && m <= MAINS_LINES &&
            fabs(hz - m * base) <= fmax(wander * m * base, least_hz))
            return true;
    }
    return false;
}
