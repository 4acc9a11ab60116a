/**
 * The path from a signal to a recording of it, as a short filter: weights of the signal's
 * frames around the one that a sample belongs to, by least squares.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_PATH_H
#define ANALYSIS_HEALTH_BREAKS_PATH_H

#include <stdbool.h>

enum { BREAKS_PATH_SIDE = 16, BREAKS_PATH_TAPS = 2 * BREAKS_PATH_SIDE + 1 };

struct breaks_path {
    double weights[BREAKS_PATH_TAPS];
};

/** played[n + BREAKS_PATH_SIDE] is the signal that samples[n] belongs to: of both
 * [count] and BREAKS_PATH_SIDE frames more of the signal on either side. false: the
 * signal is silent there. */
bool breaks_path_fit(const double *samples, const double *played, int count,
                     struct breaks_path *ret);

/** What the path makes of played[BREAKS_PATH_TAPS]. */
double breaks_path_at(const struct breaks_path *path, const double *played);

#endif
