/**
 * A tone or a stretch of a sweep fitted to the samples beside a break, up to the break's
 * edge: amplitude · cos(phase + 2π(cycles·t + rate·t²/2)) + offset, t from the edge.
 *
 * Least squares on phase, frequency and its rate (Gauss-Newton from the largest bin of a
 * transform), over the longest of some stretches that one such tone explains.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_TONE_H
#define ANALYSIS_HEALTH_BREAKS_TONE_H

#include "analysis/core/problem.h"
#include "analysis/dsp/fft.h"

enum { BREAKS_TONE_SHORTEST = 256 }; /* samples that a fit needs */

/** Samples on one side of an edge; borrowed. `before`: the edge lies behind the last. */
struct breaks_side {
    const double *samples;
    int count;
    bool before;
};

struct breaks_tone {
    double amplitude; /* 0: one tone does not explain the samples */
    double phase, cycles, rate, offset;
    double rest;                      /* rms of what it leaves */
    int length;                       /* samples it was fitted to */
    double phase_sigma, cycles_sigma; /* at the edge, as far as the rest is noise */
};

/** amplitude 0 in *ret where nothing fits. Problems: OUT_OF_MEMORY. */
bool breaks_tone_fit(struct fft_cache *cache, const struct breaks_side *side,
                     struct breaks_tone *ret, struct problem *problem)
    __attribute__((warn_unused_result));

/** Its value t samples from its edge. */
double breaks_tone_at(const struct breaks_tone *tone, double t);
/** Phase and cycles per sample there. */
double breaks_tone_phase(const struct breaks_tone *tone, double t);
double breaks_tone_cycles(const struct breaks_tone *tone, double t);

#endif
