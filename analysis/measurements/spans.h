/** What the common settings ask for: which part of the recording, which band. */
#ifndef ANALYSIS_MEASUREMENTS_SPANS_H
#define ANALYSIS_MEASUREMENTS_SPANS_H

#include "analysis/measurements/measurement.h"

/** Which part of what `start_s` and `duration_s` choose. */
enum spans_part {
    SPANS_STEADY,
    SPANS_SLOWLY_STEADY, /* of many tones, whose level ripples within half a second */
    SPANS_CLEAN,
};

/** Fills spans[channels of the capture] with the steady part of each channel, or with all
 * of it that is clean. Problems: those of steady_find. */
bool spans_find(const struct measurement_input *input, enum spans_part part,
                const struct progress *progress, struct steady_span *spans,
                struct problem *problem) __attribute__((warn_unused_result));

/** Both from one reading, for a measurement that must first find out what was played. */
bool spans_find_both(const struct measurement_input *input,
                     const struct progress *progress, struct steady_span *steady,
                     struct steady_span *clean, struct problem *problem)
    __attribute__((warn_unused_result));

/** OUT_OF_RANGE where the band begins beyond half the sample rate. */
bool spans_check_band(const struct settings *settings, int sample_rate_hz,
                      struct problem *problem) __attribute__((warn_unused_result));

#endif
