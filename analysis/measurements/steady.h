/**
 * The first look at a recording: level of each channel every 50 ms, and from it the
 * longest steady part of a tone.
 *
 * Steady part: the longest stretch of 50 ms blocks within ±0.5 dB of the median level,
 * less one block at each end. Where a stretch about another level carries more than a
 * hundred times its energy, that one: a tone in a longer silence is found, and a click
 * does not hide it. Where half seconds keep within ±0.5 dB (and 50 ms within ±3) for more
 * than twice as long, that stretch: low tones, and tones beside strong mains, ripple.
 * Memory: 12 bytes per channel and 50 ms.
 */
#ifndef ANALYSIS_MEASUREMENTS_STEADY_H
#define ANALYSIS_MEASUREMENTS_STEADY_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/capture/capture.h"
#include "analysis/core/progress.h"
#include "analysis/core/settings.h"

struct steady_block {
    float mean_square, minimum, maximum;
};

/** One channel's part to measure. */
struct steady_span {
    int64_t first_frame, frames;          /* frames 0: no steady part */
    double dc;                            /* mean of the part, full scale 1.0 */
    double mean_square, minimum, maximum; /* of its samples */
    bool silent; /* every sample of the window looked at, or of its
                    steady part, is the same */
};

/** The part of a channel without a break; frames 0: there is none. */
struct steady_clean {
    int64_t first_frame, frames;
};

/** What is looked at; all borrowed. */
struct steady_request {
    int64_t first_frame, frames; /* −1 frames: to the end */
    const struct steady_clean
        *clean;                 /* of each channel of the capture; NULL: all of it */
    bool slowly;                /* half seconds tell, not blocks: many tones ripple */
    struct steady_span *wholes; /* NULL, or filled with all that is clean, whatever its
                                   level: idle noise has no steady part */
    const struct progress *progress;
};

/** Looks at a part of the recording and fills spans[channels of the capture], each within
 * the channel's clean part. When all steady parts nearly agree they are given their
 * common part, so that phases compare. Where all of it is wanted, stretches of half a
 * second and more in which every sample is the same (nothing played yet, or a device that
 * muted itself) are no part of it: the longest part between them is taken. *ret_frames:
 * how many were there. Problems: NO_AUDIO, NOT_FINITE, IO, OUT_OF_MEMORY. */
bool steady_find(struct capture *capture, const struct steady_request *request,
                 struct steady_span *spans, int64_t *ret_frames, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
