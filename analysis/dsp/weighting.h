/** Frequency weightings, analytically, so that they hold at every sample rate. */
#ifndef ANALYSIS_DSP_WEIGHTING_H
#define ANALYSIS_DSP_WEIGHTING_H

/**
 * A-weighting as a power ratio, 1 at 1 kHz. IEC 61672-1 gives its poles at 20.598997,
 * 107.65265, 737.86223 and 12194.217 Hz. Accuracy: the standard's table to its 0.1 dB
 * (weighting_test.c).
 */
double weighting_a_power(double frequency_hz);

#endif
