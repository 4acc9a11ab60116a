/** The inside of the health room: its parts all see the same reading, block by block, and
 * each fills its own members of struct health at the end. */
#ifndef ANALYSIS_HEALTH_PARTS_H
#define ANALYSIS_HEALTH_PARTS_H

#include "analysis/health/health.h"

/** What is looked at; all borrowed. */
struct health_subject {
    struct capture *capture; /* for a second look, once the reading has ended */
    const struct capture_format *format;
    const struct health_request *request;
};

/** A piece of the reading: at most CAPTURE_BLOCK_FRAMES frames, in order, without gaps.
 */
struct health_block {
    int channels, count;
    int64_t first_frame;
    const double *samples[CAPTURE_MAX_CHANNELS]; /* [count], one channel each */
};

/* Each part NAME exports, in NAME.h:
 *   struct NAME *NAME_new(const struct health_subject *, struct problem *);   NULL:
 * problem bool NAME_feed(struct NAME *, const struct health_block *, struct problem *);
 *   bool NAME_end(struct NAME *, struct health *, struct problem *);  after the last
 * block void NAME_free(struct NAME *);                                     NULL is fine
 * Each has a line in health.c: HEALTH_PART(NAME) and, in `parts`, HEALTH_ROW(NAME).
 * In this order at the end: levels, pairs, traces, breaks. Before, all of a channel is
 * clean. A part may read the capture again in its end (seek first), but only where it
 * found something. */

#endif
