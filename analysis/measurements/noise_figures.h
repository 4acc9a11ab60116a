/** From the sums of the pass to the report of one channel. */
#ifndef ANALYSIS_MEASUREMENTS_NOISE_FIGURES_H
#define ANALYSIS_MEASUREMENTS_NOISE_FIGURES_H

#include "analysis/measurements/noise_pass.h"

/** In the order of the table in noise_tables.c. */
enum noise_figure {
    FIGURE_NOISE_LEVEL,
    FIGURE_NOISE_LEVEL_A,
    FIGURE_NOISE_LEVEL_468,
    FIGURE_NOISE_LEVEL_468_QUASI_PEAK,
    FIGURE_NOISE_VOLTAGE,
    FIGURE_NOISE_VOLTAGE_A,
    FIGURE_NOISE_VOLTAGE_468,
    FIGURE_NOISE_VOLTAGE_468_QUASI_PEAK,
    FIGURE_NOISE_DENSITY,
    FIGURE_NOISE_DENSITY_VOLTAGE,
    FIGURE_OUT_OF_BAND_NOISE,
    FIGURE_DYNAMIC_RANGE,
    FIGURE_DYNAMIC_RANGE_A,
    FIGURE_DYNAMIC_RANGE_468,
    FIGURE_DYNAMIC_RANGE_BITS,
    FIGURE_MAINS_LEVEL,
    FIGURE_TONE_FREQUENCY,
    FIGURE_TONE_LEVEL,
    NOISE_FIGURES,
};

enum { LIST_MAINS, LIST_LINES, NOISE_LISTS };
enum { SERIES_SPECTRUM, NOISE_SERIES };

/** Fills the channel's part of the report, index c. OUT_OF_MEMORY. */
bool noise_figures(const struct noise_channel *channel,
                   const struct noise_request *request, struct report *report, int c,
                   struct problem *problem) __attribute__((warn_unused_result));

#endif
