/**
 * Figures judged against the instrument floor: the same measurement of the recorder on
 * itself. Nothing is ever subtracted; a figure near the floor is known less well, or only
 * as a bound.
 *
 * With the distance d in dB by which a figure is worse than the floor's:
 *   noise adds as powers: the device may be better by −10·log10(1 − 10^(−d/10)) dB;
 *   harmonics, lines and hum add as amplitudes, in any phase: the device may be better by
 *   −20·log10(1 − 10^(−d/20)) dB, or worse by 20·log10(1 + 10^(−d/20)), which is less.
 * By the triangle inequality the latter holds for sums and maxima of lines too. From 10
 * dB (noise) and 20 dB (harmonics) downward that error is added to u95. Below 3 dB a
 * figure becomes the worst that can be true (report_at_worst): the value with its u95,
 * for harmonics also with the floor's on top, since theirs may have cancelled the
 * device's.
 *
 * A ratio to the tone is compared at the recording's own level: the floor's noise is the
 * same at every level; its harmonics are taken to be no less, and a recording more than
 * 1 dB above the floor's level is warned of. Source: closed form (floor_test.c); the
 * limits of 3, 10 and 20 dB: common practice, no source.
 */
#ifndef ANALYSIS_MEASUREMENTS_FLOOR_H
#define ANALYSIS_MEASUREMENTS_FLOOR_H

#include "analysis/core/report.h"

/** Judges every channel of `report` by that of the same number in `floor` (borrowed, made
 * by the same measurement). A floor's figure that is null counts as its bound; without
 * one, nothing is judged. Warns, once a channel, of the figures near the floor
 * (near_instrument_floor), and of a floor that cannot tell (wrong_signal). */
void floor_apply(struct report *report, const struct report *floor);

#endif
