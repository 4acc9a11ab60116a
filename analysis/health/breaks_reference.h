/**
 * Breaks in noise whose reference is known: while the recording is read, each channel's
 * place in the signal is followed, a correlation of 2048 samples every 65536 frames, and
 * holes are listened for. Where the place does not move on as the clocks have it, and at
 * holes, breaks_locate looks again.
 *
 * For recordings of the signal's own sample rate and signals that can pass over frames
 * (others would be rendered from their beginning again and again); clocks within 600 ppm.
 * Not for signals whose neighbours tell each sample: breaks_watch follows those. The
 * signal may begin anywhere in the recording, or up to 3 s before it, may end before it
 * and begin again. What is not found in the recording is not followed.
 *
 * Located within 16 frames, lengths to the frame, for steps up to a second that stay and
 * holes up to 0.25 s, from 0.1 s of the signal on (breaks_reference_test.c). Memory: 0.6
 * MB, 100 kB a channel, and 10 bytes times the sample rate while breaks are looked at.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_REFERENCE_H
#define ANALYSIS_HEALTH_BREAKS_REFERENCE_H

#include "analysis/health/breaks_locate.h"
#include "analysis/health/parts.h"

struct breaks_reference;

/** *ret is NULL where no reference is given or it does not fit. Problems: OUT_OF_MEMORY,
 * and those of the signal. */
bool breaks_reference_new(const struct health_subject *subject,
                          struct breaks_reference **ret, struct problem *problem)
    __attribute__((warn_unused_result));
void breaks_reference_free(struct breaks_reference *reference);

bool breaks_reference_feed(struct breaks_reference *reference,
                           const struct health_block *block, struct problem *problem)
    __attribute__((warn_unused_result));

/** After the last block: adds the breaks of a channel (from 0), in order. */
bool breaks_reference_end(struct breaks_reference *reference, int channel,
                          struct breaks_found *found, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
