/** The figures, lists and series of `multitone`, in the order of the enums of
 * multitone_figures.h. */
#ifndef ANALYSIS_MEASUREMENTS_MULTITONE_TABLES_H
#define ANALYSIS_MEASUREMENTS_MULTITONE_TABLES_H

#include "analysis/core/description.h"
#include "analysis/measurements/multitone_figures.h"

extern const struct figure_description multitone_tables_figures[MULTITONE_FIGURES];
extern const struct list_description multitone_tables_lists[MULTITONE_LISTS];
extern const struct series_description multitone_tables_series[MULTITONE_SERIES];

#endif
