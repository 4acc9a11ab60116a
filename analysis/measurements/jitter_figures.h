/** From the sums of the pass to the report of one channel. */
#ifndef ANALYSIS_MEASUREMENTS_JITTER_FIGURES_H
#define ANALYSIS_MEASUREMENTS_JITTER_FIGURES_H

#include "analysis/measurements/jitter_pass.h"

/** Fills the channel's part of the report, index c. OUT_OF_MEMORY. */
bool jitter_figures(struct jitter_channel *channel, const struct jitter_request *request,
                    struct report *report, int c, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
