/**
 * `multitone`: many tones at once, and everything in band that is none of them.
 *
 * Standards: AES17 (levels); the residual of many tones and its bits: common practice, no
 * source. Tones are those of the signal told, on whatever clock, or else the lines that
 * stand clear of all others. Resolution: bins of 0.4 Hz or less. Accuracy, on clocks ±200
 * ppm apart that drift: levels 0.001 dB; residual 0.1 dB down to −130 dB of the total
 * (multitone_figures_test.c). What lies within 7 bins of a tone (2.6 Hz at 48 kHz) is
 * hidden by it: there the residual is taken to be as dense as beside it.
 * Memory: per channel four arrays of one segment, whatever the recording's length.
 */
#ifndef ANALYSIS_MEASUREMENTS_MULTITONE_H
#define ANALYSIS_MEASUREMENTS_MULTITONE_H

#include "analysis/measurements/measurement.h"

extern const struct measurement multitone_measurement;

#endif
