/**
 * Traces of a resampler: image lines of the tone at m·fs1 ± f, fs1 being another rate of
 * the usual ones.
 *
 * Interpolation from fs1 leaves a tone's images, weakly suppressed, and the new rate
 * folds them: 997 Hz from 44.1 to 48 kHz has its first at 4897 and 2903 Hz. The new rate
 * is that of the recording, or a lower one that the device was played at. A converter
 * leaves images of its own at multiples of the playback rate, but nothing folds those; so
 * the first pair must be there, and one pair at least that was folded. Both lines of a
 * pair stand at the tone's exact distance from a centre that is m·fs1, folded, within
 * 250 ppm (player and recorder have two clocks).
 *
 * Not told: centres that are multiples of 1 kHz, where a bus leaves its sidebands, or of
 * one of the usual rates (so 32 to 48 kHz is not, and 48 to 96 kHz is not); lines that
 * may be harmonics; lines below −110 dBc; a recording with more than a few other lines as
 * strong; anything without one dominating tone. Levels of linear interpolation, closed
 * form: 40·log10(f/(m·fs1 ± f)).
 */
#ifndef ANALYSIS_HEALTH_TRACES_IMAGES_H
#define ANALYSIS_HEALTH_TRACES_IMAGES_H

#include <stdbool.h>

#include "analysis/health/traces_view.h"

struct traces_images {
    int source_rate_hz, target_rate_hz;
    double hz[2];    /* the first pair that was folded: m·fs1 − f, m·fs1 + f */
    double power[2]; /* mean squares */
};

/** *ret_found false: no trace of a resampler. OUT_OF_MEMORY. */
bool traces_images_find(const struct traces_view *view, bool *ret_found,
                        struct traces_images *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
