/**
 * Flat tops of a steady tone that noise covers, told from its period.
 *
 * Method, ours (no source): the samples are folded to one period, so that noise and
 * quantiser fade. What lies within a narrow band of the highest and of the lowest value
 * is left out, a sine with its second and third harmonic is fitted to the rest, and
 * carried on across what was left out. A wave that was cut off stands still where the fit
 * goes on: the fit must rise above the level, on the average, by at least 8 times the rms
 * of what moves within the band, and of what the fit leaves outside. Distortion that
 * rounds the tops (low harmonics in any phase, soft limiting) moves within the band, or
 * is not explained by the fit; square waves leave nothing outside the bands to be fitted.
 * Where more than 40 % of the period stands in flat tops, only a sine is fitted; from 84
 * % on (12 dB of overload) nothing is told.
 *
 * Sees tops that are cut by 0.03 % of the amplitude or more where noise allows, at 0.9 of
 * the amplitude with noise 40 dB below the tone (levels_period_test.c).
 */
#ifndef ANALYSIS_HEALTH_LEVELS_PERIOD_H
#define ANALYSIS_HEALTH_LEVELS_PERIOD_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/dsp/tone_fit.h"

struct levels_period_tops {
    double level;    /* magnitude of the flat tops: of the larger side, if both are */
    int64_t samples; /* in them */
};

/** Whether samples[length] of one tone are clipped, on either side or both. `fit`: of the
 * whole stretch. Fills *ret only then. Allocates nothing; 120 kB of stack. */
bool levels_period_is_clipped(const double *samples, int length,
                              const struct tone_fit *fit, struct levels_period_tops *ret);

#endif
