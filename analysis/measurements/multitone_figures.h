/** From the sums of the pass to the report of one channel. */
#ifndef ANALYSIS_MEASUREMENTS_MULTITONE_FIGURES_H
#define ANALYSIS_MEASUREMENTS_MULTITONE_FIGURES_H

#include "analysis/measurements/multitone_pass.h"

/** In the order of the table in multitone_tables.c. */
enum multitone_figure {
    MULTITONE_TONE_COUNT,
    MULTITONE_TOTAL_LEVEL,
    MULTITONE_CREST_FACTOR,
    MULTITONE_RESIDUAL_LEVEL,
    MULTITONE_RESIDUAL_RATIO,
    MULTITONE_RESIDUAL_BITS,
    MULTITONE_LARGEST_LINE_RATIO,
    MULTITONE_LARGEST_LINE_BITS,
    MULTITONE_LARGEST_LINE_FREQUENCY,
    MULTITONE_RESIDUAL_DENSITY,
    MULTITONE_FIGURES,
};

enum { MULTITONE_LIST_TONES, MULTITONE_LIST_LOST, MULTITONE_LISTS };
enum { MULTITONE_SERIES_SPECTRUM, MULTITONE_SERIES_RESIDUAL_BY_BAND, MULTITONE_SERIES };

/** Fills the channel's part of the report, index c. OUT_OF_MEMORY. */
bool multitone_figures(const struct multitone_channel *channel,
                       const struct multitone_request *request, struct report *report,
                       int c, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
