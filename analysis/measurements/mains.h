/**
 * Where the lines of the mains lie: the first ten multiples of 50 or 60 Hz, and how far a
 * grid's frequency wanders.
 */
#ifndef ANALYSIS_MEASUREMENTS_MAINS_H
#define ANALYSIS_MEASUREMENTS_MAINS_H

#include <stdbool.h>

#include "analysis/dsp/bins.h"

enum { MAINS_LINES = 10 };
enum mains_family { MAINS_50, MAINS_60, MAINS_FAMILIES };

/** Nominal frequency of line m (from 1). */
double mains_hz(enum mains_family family, int m);

/** Main lobe of line m of the 7-term window, widened by what a grid wanders. */
struct bins mains_lobe(enum mains_family family, int m, double bin_hz);

/** Whether a line at this frequency may belong to either family. */
bool mains_is(double hz);

#endif
