/**
 * Flat tops: clipping at full scale and below it.
 *
 * Method, one side (top or bottom) of one channel at a time. The extreme of the recording
 * so far is followed, and how many samples have exactly that value. Two signs count, both
 * common practice with bounds derived here:
 *
 * Piled up: at least 3 times as many samples have the extreme value as lie in the band
 * beneath it, whose width is 16 steps of the quantiser or 0.14 % of the amplitude. The
 * time that a smooth wave spends within h of its top goes at most as √h, so a whole
 * number of steps holds at most √1.5/(√16 − √1.5) = 0.44 times as many (1.5: a full-scale
 * top held within the range), at any frequency and sample rate: the 4 equal extremes of a
 * 20 Hz sine at 48 kHz and the 68 at 768 kHz do not count. The bands beneath must be
 * filled, since a tone near a fraction of the sample rate meets only few phases; and the
 * samples beside short visits to the extreme must vary, since a wave of few phases meets
 * its top alike each time.
 *
 * Runs: 3 or more neighbours at the extreme that are left by more than 16 steps, and on
 * whose side the wave keeps moving. Of a sine, a run of 3 or more is left by at most
 * (1 + √q)² steps, where q, the fall over one sample, is at most 1, or 3 with dither of
 * ±1 step: 4, or 7.5 and 2 of the dither. Square waves, steps and pulses do not move
 * beside their tops. They must be 0.5 % of the samples around them, or at full scale.
 */
#ifndef ANALYSIS_HEALTH_LEVELS_FLAT_H
#define ANALYSIS_HEALTH_LEVELS_FLAT_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/dsp/scan.h"

enum { LEVELS_FLAT_BANDS = 4, LEVELS_FLAT_VISITS = 8 };

/** One side; begin with level = −∞. */
struct levels_flat {
    double level;          /* the extreme, its sign turned so that it is a top */
    int64_t samples;       /* that have it */
    int pieces;            /* looked into closely since it was reached */
    int64_t looked, found; /* samples in these, and those of them at the extreme */
    int64_t bands[LEVELS_FLAT_BANDS]; /* beneath: band i is 2i + 1 times as wide as the
                                         first */
    int64_t runs, run_samples;        /* of 3 or more */
    int64_t visits, varied_visits; /* to the extreme; those left to another sample than */
    double beside[LEVELS_FLAT_VISITS]; /* the latest ones */
    double step;                       /* of the quantiser, as far as was looked */
};

/** The same piece as seen from one side. */
struct levels_flat_piece {
    const double *samples;
    int count;
    double sign;      /* 1: tops, −1: bottoms */
    int64_t hits;     /* samples in it at the extreme */
    double amplitude; /* half the distance of the channel's extremes so far */
    double finest;    /* step of the format; 0: floats */
};

/** Looks into a piece that reaches the extreme (already noted in *flat): closely the
 * first 48 times after the extreme was reached. */
void levels_flat_look(struct levels_flat *flat, const struct levels_flat_piece *piece);

/** Whether the side is clipped. full_scale: the largest magnitude of the format. */
bool levels_flat_is_clipped(const struct levels_flat *flat, double full_scale);

#endif
