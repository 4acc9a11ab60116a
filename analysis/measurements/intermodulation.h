/**
 * `intermodulation`: two steady tones, and what a device makes of both together.
 *
 * Standards: SMPTE RP 120 and DIN 45403 (modulation of a high tone by a low one), IEC
 * 60268-3 (the same, and difference frequencies of two high tones). Departures:
 * everything is read from the spectrum, each product by itself; nothing is demodulated.
 * Accuracy, off the bin, on clocks ±200 ppm apart that drift 1 ppm in 10 s: products 0.05
 * dB where they stand 40 dB above the noise in their lobe (intermodulation_test.c).
 * Memory: per channel three arrays of one segment, whatever the recording's length.
 */
#ifndef ANALYSIS_MEASUREMENTS_INTERMODULATION_H
#define ANALYSIS_MEASUREMENTS_INTERMODULATION_H

#include "analysis/measurements/measurement.h"

extern const struct measurement intermodulation_measurement;

#endif
