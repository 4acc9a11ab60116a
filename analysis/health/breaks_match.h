/**
 * Where in the signal that was played a piece of a recording belongs: the largest
 * correlation of the two, whatever its sign. Of white noise the correlation with anything
 * else is 1/√count (rms, of 1), at each place.
 *
 * Memory: 0.5 MB.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_MATCH_H
#define ANALYSIS_HEALTH_BREAKS_MATCH_H

#include "analysis/dsp/fft.h"
#include "analysis/health/breaks_render.h"

enum {
    BREAKS_MATCH_LONGEST = 4096,                          /* samples of a piece */
    BREAKS_MATCH_REACH = 32,                              /* of the near match */
    BREAKS_MATCH_PLACES = FFT_ROW - BREAKS_MATCH_LONGEST, /* that one look covers */
};

struct breaks_match;

/** Borrows both. NULL: OUT_OF_MEMORY. */
struct breaks_match *breaks_match_new(struct fft_cache *cache,
                                      struct breaks_render *render,
                                      struct problem *problem)
    __attribute__((warn_unused_result));
void breaks_match_free(struct breaks_match *match);

/** samples[count], all borrowed; `channel`: of the signal. */
struct breaks_piece {
    const double *samples;
    int count, channel;
};

struct breaks_place {
    double position; /* frame of the signal that the first sample belongs to */
    double
        strength; /* 0 … 1; 0: nothing, or the largest lies at the edge of a near look */
};

/** Looks at most BREAKS_MATCH_REACH frames around a position. */
bool breaks_match_near(struct breaks_match *match, const struct breaks_piece *piece,
                       double position, int reach, struct breaks_place *ret,
                       struct problem *problem) __attribute__((warn_unused_result));

/** Looks at the BREAKS_MATCH_PLACES frames from `first` on. */
bool breaks_match_wide(struct breaks_match *match, const struct breaks_piece *piece,
                       int64_t first, struct breaks_place *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
