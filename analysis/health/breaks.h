/**
 * Frames that are missing, came twice or were zeroed.
 *
 * In tones, sweeps and what many tones make, from the samples alone: where neighbours
 * suddenly do not tell a sample (breaks_watch), a second look decides (breaks_judge).
 * In noise where the request says which signal it is (breaks_reference).
 * Each channel by itself. Frames of silence that the decoder of FLAC put in are no break
 * of their own, but not clean either.
 *
 * Located to the frame where the noise allows; phase steps from 3° on. A stretch of zeros
 * counts up to 0.25 s, or 50 ms where its edges are not sharp; one of mere noise, in a
 * tone or a sweep, up to 25 ms: longer ones are pauses. Memory: some 20 kB a channel, and
 * 2 to 3 MB while a break is looked at; with a reference what that needs.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_H
#define ANALYSIS_HEALTH_BREAKS_H

#include "analysis/health/parts.h"

struct breaks;

/** NULL: OUT_OF_MEMORY. Borrows the subject's parts. */
struct breaks *breaks_new(const struct health_subject *subject, struct problem *problem)
    __attribute__((warn_unused_result));
bool breaks_feed(struct breaks *breaks, const struct health_block *block,
                 struct problem *problem) __attribute__((warn_unused_result));
/** Fills dropout_count, dropouts and clean of each channel; warns `dropout`. Problems:
 * those of reading, and OUT_OF_MEMORY. */
bool breaks_end(struct breaks *breaks, struct health *health, struct problem *problem)
    __attribute__((warn_unused_result));
void breaks_free(struct breaks *breaks);

#endif
