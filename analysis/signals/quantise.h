/**
 * From a wave to the samples of a file: rounded to the nearest integer (ties to even) and
 * held within the integer range.
 *
 * Dither: triangular noise of ±1 LSB before rounding, each channel its own, from a fixed
 * generator: the same bytes each time, whatever the block size.
 */
#ifndef ANALYSIS_SIGNALS_QUANTISE_H
#define ANALYSIS_SIGNALS_QUANTISE_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/core/description.h"

struct quantise {
    double lowest, highest;
    bool dithered;
    uint64_t noise[DESCRIPTION_MAX_CHANNELS];
};

struct quantise quantise_begin(int bits, bool dithered);

/** Fills frame[channels] with one value, in steps of the file. */
void quantise_frame(struct quantise *quantise, double value, int channels,
                    int32_t *frame);

#endif
