/** The figures, lists and series of `jitter`. */
#ifndef ANALYSIS_MEASUREMENTS_JITTER_TABLES_H
#define ANALYSIS_MEASUREMENTS_JITTER_TABLES_H

#include "analysis/core/description.h"

enum jitter_figure {
    FIGURE_CARRIER_FREQUENCY,
    FIGURE_CARRIER_LEVEL,
    FIGURE_WORST_SIDEBAND,
    FIGURE_WORST_SIDEBAND_OFFSET,
    FIGURE_JITTER_PEAK_TO_PEAK,
    FIGURE_JITTER_RMS,
    FIGURE_RANDOM_JITTER_RMS,
    FIGURE_CLOCK_OFFSET,
    JITTER_FIGURES,
};

enum { LIST_SIDEBANDS, JITTER_LISTS };
enum { SERIES_PHASE_MODULATION, JITTER_SERIES };

extern const struct figure_description jitter_tables_figures[JITTER_FIGURES];
extern const struct list_description jitter_tables_lists[JITTER_LISTS];
extern const struct series_description jitter_tables_series[JITTER_SERIES];

#endif
