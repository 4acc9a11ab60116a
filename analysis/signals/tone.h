/**
 * One steady tone, the same in every channel: a sine that begins at phase 0.
 *
 * Frequency: taken to 1 µHz; the phase is an integer count of 1/(rate·10^6) periods, so
 * that it is exact at every frame, after an hour as in the first second.
 * Level: peak = 10^(level_dbfs/20) · 2^(bits−1), held within the integer range: at 0 dBFS
 * the positive peak loses 1 LSB. Rounding and dither (`tpdf` or none): quantise.h.
 */
#ifndef ANALYSIS_SIGNALS_TONE_H
#define ANALYSIS_SIGNALS_TONE_H

#include <stdint.h>

#include "analysis/signals/signal.h"

enum tone_parameter {
    TONE_FREQUENCY_HZ = PARAMETER_COMMON_COUNT,
    TONE_LEVEL_DBFS,
    TONE_DITHER,
    TONE_PARAMETER_COUNT,
};

enum tone_dither { TONE_DITHER_TPDF, TONE_DITHER_NONE };

extern const struct signal tone_signal;

/** sin(2π·index/count), 0 ≤ index < count, count a multiple of 8 below 2^53: the angle is
 *  brought into the first octant by integers, so that only there anything is rounded. By
 *  series of sums and products alone: the same bits on every machine. Error ≤ 2^-52. */
double tone_sine(int64_t index, int64_t count);

#endif
