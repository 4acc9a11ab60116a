/**
 * AIFF and AIFF-C: COMM and SSND. Integers are left-justified in whole bytes.
 */
#ifndef ANALYSIS_CAPTURE_AIFF_H
#define ANALYSIS_CAPTURE_AIFF_H

#include <stdbool.h>

#include "analysis/capture/walk.h"

/** Takes form and audio, wherever the chunks tell of them. Problems: NOT_AUDIO,
 * UNSUPPORTED_FORMAT. */
bool aiff_walk(struct chunks *chunks, struct walk *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
