/**
 * `jitter`: the sidebands of one high tone, phase and amplitude modulation told apart.
 *
 * A jitter of peak J makes sidebands of 20·log10(π·f0·J) dBc each (narrow-band
 * modulation, closed form; jitter_test.c).
 * Signal: J. Dunn's pattern (jitter_pattern.h), whose own lines are known and taken away,
 * or any tone from 500 Hz. Accuracy, on clocks ±200 ppm apart that drift by 1 ppm in
 * 10 s: a sideband at −130 dBc 0.2 dB over noise of −130 dBFS in 10 s; jitter of lines
 * 3 %. Memory: per channel some six arrays of half a segment, and all segments' phases.
 */
#ifndef ANALYSIS_MEASUREMENTS_JITTER_H
#define ANALYSIS_MEASUREMENTS_JITTER_H

#include "analysis/measurements/measurement.h"

extern const struct measurement jitter_measurement;

#endif
