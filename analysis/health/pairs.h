/**
 * Channels against each other: identical, turned over, and their delay.
 *
 * Fills delay_frames. Warns: channels_identical, polarity_inverted.
 *
 * Identical: the same bits from the first to the last frame, of channels that are not
 * silent. Two converters never give that; a signal that is told with the upload, and is
 * itself the same in these channels, may.
 *
 * Turned over: each sample is the other's times −1, to one step of the format (of
 * recordings that reach 64 steps); or, against channel 1, of signals of more than two
 * octaves with at most 20 dB between them, correlation below −0.998 within 0.1 ms of no
 * delay, as a whole and in each of three or more octaves (−0.9 in those 20 dB weaker). Of
 * one tone up to 5 kHz, its phase within 0.03° of 180°: half a period late would be the
 * same, but by so much, and so exactly, channels of one recorder never differ.
 *
 * Delay: see pairs_delay.h. NaN where a channel is silent or has nothing to do with
 * channel 1.
 */
#ifndef ANALYSIS_HEALTH_PAIRS_H
#define ANALYSIS_HEALTH_PAIRS_H

#include "analysis/health/parts.h"

struct pairs *pairs_new(const struct health_subject *subject, struct problem *problem)
    __attribute__((warn_unused_result));
bool pairs_feed(struct pairs *pairs, const struct health_block *block,
                struct problem *problem) __attribute__((warn_unused_result));
/** Reads up to four pieces of the capture again. Relies on peak and silent. */
bool pairs_end(struct pairs *pairs, struct health *health, struct problem *problem)
    __attribute__((warn_unused_result));
void pairs_free(struct pairs *pairs);

#endif
