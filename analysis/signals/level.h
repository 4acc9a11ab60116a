/**
 * Levels of test signals. By series of sums and products alone, where the C library's pow
 * gives last bits that depend on the processor: the same on every machine.
 */
#ifndef ANALYSIS_SIGNALS_LEVEL_H
#define ANALYSIS_SIGNALS_LEVEL_H

/** Peak of a sine of this level, of full scale: 10^(level_dbfs/20), to 2^-47 of it,
 * within ±200 dB. 0 dB gives exactly 1. */
double level_peak(double level_dbfs);

#endif
