/**
 * The two sides of a break, and whether one signal goes on from the one to the other.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_SIDES_H
#define ANALYSIS_HEALTH_BREAKS_SIDES_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/health/breaks_tone.h"

/** Their edges may lie apart. */
struct breaks_sides {
    int64_t edges[2]; /* frames: behind the last trusted one, and the next trusted one */
    struct breaks_side before, after;
    struct breaks_tone tones[2];
};

enum breaks_relation {
    BREAKS_UNKNOWN, /* neither side is one tone */
    BREAKS_DIFFERENT,
    BREAKS_SAME_TONE, /* of one frequency and level */
    BREAKS_SAME_SWEEP,
};
enum breaks_relation breaks_sides_relation(const struct breaks_sides *sides);

/** What the fit of either side tells for a frame. */
double breaks_sides_before_at(const struct breaks_sides *sides, int64_t frame);
double breaks_sides_after_at(const struct breaks_sides *sides, int64_t frame);

/** Whether what the fit leaves of the sample there is no more than noise. */
bool breaks_sides_before_explains(const struct breaks_sides *sides, int64_t frame,
                                  double x);
bool breaks_sides_after_explains(const struct breaks_sides *sides, int64_t frame,
                                 double x);

/** How far the later phase is ahead of the earlier at a frame, radians within ±π. */
double breaks_sides_step(const struct breaks_sides *sides, int64_t frame);

#endif
