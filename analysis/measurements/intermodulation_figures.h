/** From the sums of the pass to the report of one channel. */
#ifndef ANALYSIS_MEASUREMENTS_INTERMODULATION_FIGURES_H
#define ANALYSIS_MEASUREMENTS_INTERMODULATION_FIGURES_H

#include "analysis/measurements/intermodulation_pass.h"

/** Fills the channel's part of the report, index c. *ret_kind: the pair found, as the
 * finding says it. */
void intermodulation_figures(const struct intermodulation_channel *channel,
                             struct report *report, int c, const char **ret_kind);

#endif
