/** What the common settings ask for: which part of the recording, which band. */
#ifndef ANALYSIS_MEASUREMENTS_SPANS_H
#define ANALYSIS_MEASUREMENTS_SPANS_H

#include "analysis/measurements/measurement.h"

/** Whose level must be steady: that of 50 ms blocks, or (many tones, whose level ripples)
 * that of half seconds. */
enum spans_steady { SPANS_STEADY, SPANS_SLOWLY_STEADY };

/** Fills both for each channel of the capture, within what `start_s` and `duration_s`
 * choose: its steady part, and all of it that is clean. Problems: those of steady_find.
 */
bool spans_find(const struct measurement_input *input, enum spans_steady how,
                const struct progress *progress, struct steady_span *steady,
                struct steady_span *clean, struct problem *problem)
    __attribute__((warn_unused_result));

/** OUT_OF_RANGE where the band begins beyond half the sample rate. */
bool spans_check_band(const struct settings *settings, int sample_rate_hz,
                      struct problem *problem) __attribute__((warn_unused_result));

#endif
