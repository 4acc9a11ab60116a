/** From powers to figures: decibels, percent and levels, with their half-widths, or the
 * bound where a power does not exceed its own half-width. */
#ifndef ANALYSIS_MEASUREMENTS_FIGURES_H
#define ANALYSIS_MEASUREMENTS_FIGURES_H

#include "analysis/core/report.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/measurements/powers.h"
#include "analysis/measurements/segments.h"

/** The larger half-width in decibels of a power known to this relative half-width; NaN
 * from 1 on. */
double figures_db_u95(double relative);

/** A ratio of powers in dB, or BELOW_NOISE with its bound when it does not exceed its
 * half-width. `sign` −1 turns it over (fundamental to residual). */
void figures_ratio_db(struct report *report, int c, int figure, double ratio,
                      double ratio_half, double sign);
/** The same as a percentage of amplitudes. */
void figures_ratio_percent(struct report *report, int c, int figure, double ratio,
                           double ratio_half);
/** BELOW_NOISE with what a ratio that does not stand out cannot exceed. */
void figures_at_most_db(struct report *report, int c, int figure, double ratio,
                        double ratio_half, double sign);
/** A level in dBFS, or its bound. */
void figures_level(struct report *report, int c, int figure, struct power power);

/** From 20 kHz to 0.45 of the sample rate, in a spectrum of `length` samples; empty where
 * there is no such range. */
struct bins figures_out_of_band(int sample_rate_hz, int length);
/** The level of that range, or ABOVE_BAND where it is empty or a sliver. */
void figures_out_of_band_level(struct report *report, int c, int figure,
                               struct power power, double width_hz);

/** Half-width in decibels of a line's power, as the scatter of its peak bin tells; NaN:
 * not known. */
double figures_line_u95_db(const struct spectrum *spectrum, int peak);
/** What a line hidden in the highest bin of so many averages cannot exceed, mean square:
 * the bin read as a tone half a bin off its centre, lowered by noise (97 %). */
double figures_hidden_line(const struct window *window, double highest_bin, int segments);

/** The averaged spectrum as a series: a tone at a bin's centre reads its level, dBFS. */
void figures_spectrum(struct report *report, int c, int series,
                      const struct spectrum *spectrum, const struct window *window,
                      double bin_hz);

/** The span that a plan covers. */
void figures_span(struct report *report, int c, const struct segment_plan *plan,
                  int sample_rate_hz);

#endif
