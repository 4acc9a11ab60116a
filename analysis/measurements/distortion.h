/**
 * `distortion`: one steady tone, and how much else comes with it.
 *
 * Standards: AES17 (levels, THD+N), IEEE 1241 (SINAD, ENOB, THD), IEC 61672-1
 * (A-weighting). Accuracy, at any phase, off the bin, on clocks ±200 ppm apart: level
 * 0.001 dB; a harmonic 50 dB above the noise in its lobe 0.02 dB; THD+N and SINAD 0.05 dB
 * from 10 s on; a clean tone in double precision reads ≤ −155 dB (distortion_test.c).
 * Memory: per channel four arrays of one segment, whatever the recording's length.
 */
#ifndef ANALYSIS_MEASUREMENTS_DISTORTION_H
#define ANALYSIS_MEASUREMENTS_DISTORTION_H

#include "analysis/measurements/measurement.h"

extern const struct measurement distortion_measurement;

#endif
