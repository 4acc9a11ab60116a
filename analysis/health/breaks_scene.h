/**
 * The samples around a place, and what can be told from them alone: a run of one value, a
 * stretch that came before, a hole in what many tones tell of each other.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_SCENE_H
#define ANALYSIS_HEALTH_BREAKS_SCENE_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/health/breaks_tone.h"

enum {
    BREAKS_SCENE_NEAR = 40, /* on either side of a place anything may be damaged */
    BREAKS_SCENE_LONGEST_LAG = 16384,
    BREAKS_SCENE_SHORTEST_LAG = 16,
    BREAKS_SCENE_SHORTEST_RUN = 8,
};

struct breaks_scene {
    const double *samples; /* [count], borrowed */
    int count, place;
};

/** samples[first … end), within those of the scene. */
struct breaks_stretch {
    int first, end;
};

/** The longest run of one value near the place, of 8 or more; false: there is none, or
 * runs a quarter as long are usual here (in the `reach` samples before it). */
bool breaks_scene_run(const struct breaks_scene *scene, int reach,
                      struct breaks_stretch *ret);

/** A stretch that begins near the place and equals, bit by bit, as many samples just
 * before it. */
bool breaks_scene_copy(const struct breaks_scene *scene, struct breaks_stretch *ret);

/** Whether signals that many tones make go on behind an edge as they were before: as
 * loud, and as predictable with the same weights. */
bool breaks_scene_goes_on(const struct breaks_side *before,
                          const struct breaks_side *after);

/** Whether the place is the one where neighbours do not tell the samples, in all of
 * `reach` before and behind it, and no other values of some samples there would heal it
 * (as they would a click). Fills the damaged stretch. */
bool breaks_scene_torn(const struct breaks_scene *scene, int reach,
                       struct breaks_stretch *ret);

#endif
