/** The figures, lists and series of `noise`, in the order of the enums of
 * noise_figures.h.
 */
#ifndef ANALYSIS_MEASUREMENTS_NOISE_TABLES_H
#define ANALYSIS_MEASUREMENTS_NOISE_TABLES_H

#include "analysis/measurements/noise_figures.h"

extern const struct figure_description noise_tables_figures[NOISE_FIGURES];
extern const struct list_description noise_tables_lists[NOISE_LISTS];
extern const struct series_description noise_tables_series[NOISE_SERIES];

#endif
