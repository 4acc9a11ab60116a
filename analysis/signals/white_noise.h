/**
 * White noise from 0 to half the sample rate, each channel its own.
 *
 * A sample is the sum of four independent uniform numbers, scaled to the level and
 * rounded: close to a normal distribution, but never beyond √12 times its rms (10.8 dB),
 * so that nothing clips. Each follows from channel and frame alone (mixer.h): the same
 * bytes each time, whatever the block size. The period is 2^64 frames.
 */
#ifndef ANALYSIS_SIGNALS_WHITE_NOISE_H
#define ANALYSIS_SIGNALS_WHITE_NOISE_H

#include "analysis/signals/signal.h"

enum white_noise_parameter {
    WHITE_NOISE_LEVEL_DBFS = PARAMETER_COMMON_COUNT,
    WHITE_NOISE_PARAMETER_COUNT,
};

extern const struct signal white_noise_signal;

#endif
