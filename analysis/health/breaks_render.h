/**
 * The signal that was played, rendered where it is asked for: a recording is compared
 * with it. Some pages are kept, so that channels looked at one after the other share
 * them.
 *
 * Memory: 64 kB a channel of the signal.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_RENDER_H
#define ANALYSIS_HEALTH_BREAKS_RENDER_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/signals/signal.h"

struct breaks_render;

/** Borrows both; the signal can pass over frames. NULL: problem, that of the signal or
 * OUT_OF_MEMORY. */
struct breaks_render *breaks_render_new(const struct signal *signal,
                                        const struct settings *parameters,
                                        struct problem *problem)
    __attribute__((warn_unused_result));
void breaks_render_free(struct breaks_render *render);

int64_t breaks_render_frames(const struct breaks_render *render);

/** The signal's channel that a recording's channel (from 0) should hold: its own, or the
 * only one; −1: none. */
int breaks_render_channel(const struct breaks_render *render, int channel);

/** Fills ret[count] with a channel of the signal from frame `first` on, at full scale
 * ±1.0; zeros before its first and behind its last frame. Problems: as of new. */
bool breaks_render_take(struct breaks_render *render, int channel, int64_t first,
                        int count, double *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
