#include "analysis/dsp/quasi_peak.h"

#include <math.h>

static const double charge_s[2] = {0.001442, 0.236}, discharge_s[2] = {0.2895, 0.347};

struct quasi_peak quasi_peak_at(double rate_hz)
{
    /* Where the second rectifier settles for a sine of rms 1, in the limit of fast
     * sampling: what flows in over a period equals what flows out (computed). */
    const double settles = 0.57164 * M_SQRT2;
    struct quasi_peak made = {.scale = 1 / settles};
    for (int i = 0; i < 2; i++) {
        double take = -expm1(-1 / (charge_s[i] * rate_hz));
        made.discharge[i] = 1 + expm1(-1 / (discharge_s[i] * rate_hz));
        made.charge[i] = made.discharge[i] - take;
        made.take[i] = take;
    }
    return made;
}

struct quasi_peak_reading quasi_peak_run(struct quasi_peak *detector,
                                         const double *weighted, int count)
{
    const struct quasi_peak fixed = *detector;
    double first = fixed.held[0], second = fixed.held[1], sum = 0, highest = 0;
    for (int n = 0; n < count; n++) {
        first = quasi_peak_step(&fixed, 0, first, fabs(weighted[n]));
        second = quasi_peak_step(&fixed, 1, second, first);
        sum += second;
        highest = second > highest ? second : highest;
    }
    detector->held[0] = first;
    detector->held[1] = second;
    return (struct quasi_peak_reading){sum * fixed.scale, highest * fixed.scale};
}
