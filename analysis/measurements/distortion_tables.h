/** The figures, findings, lists and series of `distortion`, in the order of the enums of
 * distortion_figures.h. */
#ifndef ANALYSIS_MEASUREMENTS_DISTORTION_TABLES_H
#define ANALYSIS_MEASUREMENTS_DISTORTION_TABLES_H

#include "analysis/measurements/distortion_figures.h"

extern const struct figure_description distortion_tables_figures[DISTORTION_FIGURES];
extern const struct finding_description distortion_tables_findings[DISTORTION_FINDINGS];
extern const struct list_description distortion_tables_lists[DISTORTION_LISTS];
extern const struct series_description distortion_tables_series[DISTORTION_SERIES];

#endif
