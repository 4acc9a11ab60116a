/** Part of one channel of a recording: what a second look needs. */
#ifndef ANALYSIS_CAPTURE_EXCERPT_H
#define ANALYSIS_CAPTURE_EXCERPT_H

#include "analysis/capture/capture.h"

struct excerpt {
    int channel;         /* from 0 */
    int64_t first_frame; /* from 0 */
    int frames;
};

/** Fills ret[excerpt->frames]; *ret_frames is less only at the end of the recording.
 * Problems as for capture_read. */
bool excerpt_read(struct capture *capture, const struct excerpt *excerpt, double *ret,
                  int *ret_frames, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
