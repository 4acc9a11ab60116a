/**
 * Delay of each channel against channel 1, from a few pieces of the recording.
 *
 * Pieces of 2^15 frames (less in a short recording) under the 7-term window give the
 * mean cross-spectrum. Where one tone dominates both channels, its phase tells the delay
 * modulo the period: the smallest is given, −½ … ½ period (of one turned over, what is
 * left of it). A tone too low for the piece is looked at once more with a lower sample
 * rate. Otherwise the cross-correlation is searched within ± a sixteenth of the piece and
 * its peak found by Newton's method on the cross-spectrum. Accuracy: 0.01 frame where the
 * channels' own noise is 40 dB down; none is given where noise hides more than 0.05
 * frame.
 */
#ifndef ANALYSIS_HEALTH_PAIRS_DELAY_H
#define ANALYSIS_HEALTH_PAIRS_DELAY_H

#include "analysis/health/parts.h"

enum { PAIRS_DELAY_PIECES = 4, PAIRS_DELAY_LENGTH = 1 << 15 };

struct pairs_delay {
    double frames; /* later than channel 1; NaN: unrelated */
    bool inverted; /* turned over, as pairs.h says */
};

/** Where to look: the middles of up to PAIRS_DELAY_PIECES pieces. */
struct pairs_delay_places {
    int count;
    int64_t middles[PAIRS_DELAY_PIECES];
    int64_t frames; /* of the recording */
};

/** Fills ret[channels of the capture]. Problems: OUT_OF_MEMORY and those of reading. */
bool pairs_delay_find(const struct health_subject *subject,
                      const struct pairs_delay_places *places, struct pairs_delay *ret,
                      struct problem *problem) __attribute__((warn_unused_result));

#endif
