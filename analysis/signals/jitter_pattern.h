/**
 * A pattern that makes the jitter of a clock heard (J. Dunn, AES 1992; from memory): a
 * square of period 4 at half of full scale, −½ −½ +½ +½, and a square of period 192 that
 * takes 1 LSB of `pattern_bits` away in the second half of it. The same in every channel,
 * undithered, exact to the bit.
 *
 * Spectrum: the carrier at rate/4 has the amplitude 1/√2 of full scale; the lines of the
 * slow square at k·rate/192, odd k, have (LSB/2)·(4/192)/sin(πk/192). All that lies
 * elsewhere is the device's.
 */
#ifndef ANALYSIS_SIGNALS_JITTER_PATTERN_H
#define ANALYSIS_SIGNALS_JITTER_PATTERN_H

#include "analysis/signals/signal.h"

enum jitter_pattern_parameter {
    JITTER_PATTERN_BITS = PARAMETER_COMMON_COUNT,
    JITTER_PATTERN_PARAMETER_COUNT,
};

enum { JITTER_PATTERN_CARRIER_FRAMES = 4, JITTER_PATTERN_FRAMES = 192 };

extern const struct signal jitter_pattern_signal;

#endif
