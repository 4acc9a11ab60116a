/**
 * `noise`: what an idle channel holds, or what is left beside a tone at −60 dBFS.
 *
 * Standard: AES17 for the dynamic range and the weighted rms levels; IEC 61672-1 and
 * ITU-R BS.468-4 for the weightings. Idle noise is measured over all of the recording
 * that is clean; beside a tone over its steady part, and there everything in band but the
 * tone within ±1 % counts, its harmonics as well. Accuracy: 0.05 dB from 10 s on
 * (noise_test.c); quasi-peak as far as its detector.
 */
#ifndef ANALYSIS_MEASUREMENTS_NOISE_H
#define ANALYSIS_MEASUREMENTS_NOISE_H

#include "analysis/measurements/measurement.h"

extern const struct measurement noise_measurement;

#endif
