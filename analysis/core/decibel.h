/**
 * Decibels and levels. Full scale is ±1.0; 0 dBFS is the level of a sine of peak 1.0
 * (AES17, IEC 61606), whose mean square is ½.
 */
#ifndef ANALYSIS_CORE_DECIBEL_H
#define ANALYSIS_CORE_DECIBEL_H

#include <math.h>

static inline double decibel_from_power(double power_ratio)
{
    return 10 * log10(power_ratio);
}

static inline double decibel_to_power(double db)
{
    return pow(10, db / 10);
}

static inline double decibel_to_amplitude(double db)
{
    return pow(10, db / 20);
}

/** Level of a signal of this mean square. */
static inline double dbfs_from_mean_square(double mean_square)
{
    return 10 * log10(2 * mean_square);
}

static inline double dbfs_to_mean_square(double dbfs)
{
    return 0.5 * pow(10, dbfs / 10);
}

#endif
