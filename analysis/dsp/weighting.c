#include "analysis/dsp/weighting.h"

static double unscaled(double frequency_hz)
{
    const double p1 = 20.598997, p2 = 107.65265, p3 = 737.86223, p4 = 12194.217;
    double f2 = frequency_hz * frequency_hz;
    double d1 = f2 + p1 * p1, d4 = f2 + p4 * p4;
    double numerator = p4 * p4 * f2 * f2;
    return numerator * numerator / (d1 * d1 * (f2 + p2 * p2) * (f2 + p3 * p3) * d4 * d4);
}

double weighting_a_power(double frequency_hz)
{
    return unscaled(frequency_hz) / unscaled(1000);
}
