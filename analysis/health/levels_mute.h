/**
 * Suspicion of an automatic mute: one exact value for 50 ms or longer in a recording that
 * carries noise where it is quiet.
 *
 * A file made by a program has exact zeros between its signals and is not muted; nothing
 * in it tells that noise should be there. So a mute is suspected only where (1) the
 * recording does not begin with one value for 50 ms, as a made one with a pause before
 * its signal does; (2) it is quiet, below −70 dBFS, and steady within ±1.5 dB for a whole
 * second (a fade is not) somewhere; (3) what is there is noise: at least 0.15 squared
 * steps of the format are left when the strongest twentieth of its spectrum is taken away
 * (an undithered tone leaves at most its quantising error, 1/12), spread over the
 * spectrum; and (4) one value lasts 50 ms. Common practice, no source.
 */
#ifndef ANALYSIS_HEALTH_LEVELS_MUTE_H
#define ANALYSIS_HEALTH_LEVELS_MUTE_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/fft.h"

enum { LEVELS_MUTE_LENGTH = 2048 };

struct levels_mute_unit {
    double sum, sum_squares;
    int64_t frames;
};

/** One channel; begin with zeros. */
struct levels_mute {
    int64_t frames;                /* seen */
    int64_t run_first, run_frames; /* of one value, up to now */
    double run_value;
    int64_t first_frame, longest; /* the longest run after the start, if long enough */
    bool begins_with_run;
    struct levels_mute_unit unit; /* about 100 ms being summed up */
    double lowest, highest;       /* mean squares of the quiet stretch up to now */
    int64_t quiet_frames;
    bool is_quiet; /* a quiet stretch was long enough */
    int kept;      /* samples of the quietest such stretch */
    double sample[LEVELS_MUTE_LENGTH];
};

/** Takes a piece of at most a few thousand samples, with its extremes and sums. */
struct levels_mute_piece {
    const double *samples;
    int count;
    double minimum, maximum, sum, sum_squares;
};
void levels_mute_feed(struct levels_mute *mute, int sample_rate_hz,
                      const struct levels_mute_piece *piece);

/** step: of the format. OUT_OF_MEMORY. */
bool levels_mute_is_suspected(const struct levels_mute *mute, double step,
                              struct fft_cache *cache, bool *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
