/** From the sums of the pass to the report of one channel. */
#ifndef ANALYSIS_MEASUREMENTS_DISTORTION_FIGURES_H
#define ANALYSIS_MEASUREMENTS_DISTORTION_FIGURES_H

#include "analysis/measurements/distortion_powers.h"

/** In the order of the table in distortion_tables.c. */
enum distortion_figure {
    FIGURE_FUNDAMENTAL_FREQUENCY,
    FIGURE_FUNDAMENTAL_LEVEL,
    FIGURE_FUNDAMENTAL_VOLTAGE,
    FIGURE_THD,
    FIGURE_THD_PERCENT,
    FIGURE_THD_PLUS_NOISE,
    FIGURE_THD_PLUS_NOISE_PERCENT,
    FIGURE_SINAD,
    FIGURE_ENOB,
    FIGURE_ENOB_FULL_SCALE,
    FIGURE_SNR,
    FIGURE_NOISE_LEVEL,
    FIGURE_NOISE_LEVEL_A,
    FIGURE_NOISE_VOLTAGE,
    FIGURE_NOISE_VOLTAGE_A,
    FIGURE_OUT_OF_BAND_NOISE,
    FIGURE_SFDR,
    FIGURE_WORST_SPUR_FREQUENCY,
    FIGURE_WORST_SPUR_LEVEL,
    FIGURE_DC_OFFSET,
    FIGURE_DC_VOLTAGE,
    FIGURE_MAINS_LEVEL,
    FIGURE_CHANNEL_LEVEL_DIFFERENCE,
    FIGURE_CHANNEL_PHASE_DIFFERENCE,
    DISTORTION_FIGURES,
};

enum { LIST_HARMONICS, LIST_LINES, DISTORTION_LISTS };
enum { FINDING_OVERLOAD, DISTORTION_FINDINGS };
enum { SERIES_SPECTRUM, DISTORTION_SERIES };

/** Fills the channel's part of the report, index c. `reference` is channel 1's state,
 * whose figures are made first (NULL: it was not measured). OUT_OF_MEMORY. */
bool distortion_figures(const struct distortion_channel *channel,
                        const struct distortion_request *request,
                        const struct distortion_channel *reference, struct report *report,
                        int c, struct distortion_powers *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
