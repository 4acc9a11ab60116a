/**
 * Stretches that were silenced within a signal that goes on behind them.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_HOLE_H
#define ANALYSIS_HEALTH_BREAKS_HOLE_H

#include "analysis/health/breaks_scene.h"
#include "analysis/health/breaks_sides.h"

/** Whether a run of one value between the edges of the sides was cut out of one signal: a
 * tone, a sweep or many tones. Where it might be a pause (not surely_no_pause) only if
 * its edges are sharp. */
bool breaks_hole_is_cut_out(const struct breaks_sides *sides,
                            enum breaks_relation relation, double value,
                            bool surely_no_pause);

/** Between the sides of one tone or sweep: fills the frames in which, of the scene that
 * begins at frame `first`, little but noise is left; false: there are none. */
bool breaks_hole_find(const struct breaks_sides *sides, const struct breaks_scene *scene,
                      int64_t first, struct breaks_stretch *ret);

/** Whether it is quiet about as long once more nearby, as between bursts of a tone. */
bool breaks_hole_recurs(const struct breaks_sides *sides,
                        const struct breaks_scene *scene,
                        const struct breaks_stretch *hole);

#endif
