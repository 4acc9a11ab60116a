/** Powers of one channel from the sums of the pass: the residual restored where tones
 * hide it, and taken away from the tones; each with its half-width. */
#ifndef ANALYSIS_MEASUREMENTS_MULTITONE_POWERS_H
#define ANALYSIS_MEASUREMENTS_MULTITONE_POWERS_H

#include "analysis/dsp/lines.h"
#include "analysis/measurements/multitone_pass.h"
#include "analysis/measurements/powers.h"

struct multitone_powers {
    double ratio;                           /* of the tracked tone's frequency, mean over
                                               the span, to that of its place */
    struct power tone[MULTITONE_MAX_TONES]; /* each without the residual under it */
    bool there[MULTITONE_MAX_TONES]; /* stands out, and not far below the other tones */
    int there_count;
    double median_tone; /* mean power of those that are there */
    struct power tones, residual, total;
    double residual_per_tones_u95; /* half-width of residual/tones */
    /* The averaged spectrum of the residual: where tones stood, the density beside them.
     * Its sum is its own, its scatter the channel's. */
    struct spectrum residual_spectrum;
    struct line_list lines; /* of the residual in band, the strongest first */
};

/** Free with multitone_powers_free in any case. OUT_OF_MEMORY. */
bool multitone_powers_gather(const struct multitone_channel *channel,
                             struct multitone_powers *ret, struct problem *problem)
    __attribute__((warn_unused_result));
void multitone_powers_free(struct multitone_powers *powers);

/** By how much segments that overlap by three quarters scatter more in the mean than as
 * many independent ones; 1 for half-overlapping ones. */
double multitone_powers_widening(const struct segment_plan *plan);

#endif
