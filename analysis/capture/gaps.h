/**
 * Stretches of frames that were lost, in order, without overlap. More than GAPS_MOST are
 * told as fewer and longer ones: the last one grows over what lies between.
 */
#ifndef ANALYSIS_CAPTURE_GAPS_H
#define ANALYSIS_CAPTURE_GAPS_H

#include "analysis/capture/capture.h"

enum { GAPS_MOST = 256 };

struct gaps {
    int count;
    struct capture_gap at[GAPS_MOST + 1]; /* one more while adding */
};

/** Adds a stretch, which may be known already or touch others. */
void gaps_add(struct gaps *gaps, int64_t first_frame, int64_t frames);

#endif
