/** Flat tops of a tone: the finding `overload`. */
#ifndef ANALYSIS_MEASUREMENTS_DISTORTION_OVERLOAD_H
#define ANALYSIS_MEASUREMENTS_DISTORTION_OVERLOAD_H

#include <stdbool.h>

#include "analysis/dsp/tone_fit.h"

/**
 * Whether the tops or bottoms of a tone are flat. The samples are folded to one period by
 * the fitted phase and averaged there, so that noise and hum fade; then at least twice as
 * much of the period must lie near the extreme as of a sine taken at the same phases
 * ("near" is 0.05 % of the amplitude, or what noise and quantiser hide). A tone that hits
 * few phases of its period is thus judged fairly. Common practice, no source.
 */
bool distortion_overload_is_flat(const double *samples, int length,
                                 const struct tone_fit *fit);

#endif
