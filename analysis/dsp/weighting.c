#include "analysis/dsp/weighting.h"

const struct weighting_pole weighting_468_poles[WEIGHTING_468_POLES] = {
    {-2983.15993789, 9940.84264571},
    {-3758.52916301, 5790.04233661},
    {-4122.70206613, 0},
    {-9975.06312393, 0},
};

static double a_unscaled(double frequency_hz)
{
    const double p1 = 20.598997, p2 = 107.65265, p3 = 737.86223, p4 = 12194.217;
    double f2 = frequency_hz * frequency_hz;
    double d1 = f2 + p1 * p1, d4 = f2 + p4 * p4;
    double numerator = p4 * p4 * f2 * f2;
    return numerator * numerator / (d1 * d1 * (f2 + p2 * p2) * (f2 + p3 * p3) * d4 * d4);
}

double weighting_a_power(double frequency_hz)
{
    return a_unscaled(frequency_hz) / a_unscaled(1000);
}

static double shape_468(double hz)
{
    double power = hz * hz;
    for (int i = 0; i < WEIGHTING_468_POLES; i++) {
        double re = weighting_468_poles[i].re_hz, im = weighting_468_poles[i].im_hz;
        double at_dc = re * re + im * im;
        power *= at_dc / (re * re + (hz - im) * (hz - im));
        if (im != 0)
            power *= at_dc / (re * re + (hz + im) * (hz + im));
    }
    return power;
}

double weighting_468_power(double frequency_hz)
{
    return shape_468(frequency_hz) / shape_468(1000);
}

double weighting_468_rms_power(double frequency_hz)
{
    return shape_468(frequency_hz) / shape_468(2000);
}
