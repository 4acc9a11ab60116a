/**
 * The second look at one place of a channel: is it a break, of which kind, where exactly?
 *
 * A break is claimed only where the same signal goes on behind it: one tone of the same
 * frequency and level whose phase has stepped by 3° or more (and six times its
 * uncertainty); one sweep that goes on; many tones whose neighbours tell each other
 * everywhere but here. A tone that starts or stops, changes its level or frequency, a
 * click, and what comes again and again are no breaks; nor is a silent stretch with
 * one as long within four times its length.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_JUDGE_H
#define ANALYSIS_HEALTH_BREAKS_JUDGE_H

#include "analysis/health/health.h"

struct breaks_judge; /* reads a recording where it is asked to */

/** Borrows the capture and the cache. `frames`: that the recording has. NULL: problem. */
struct breaks_judge *breaks_judge_new(struct capture *capture, struct fft_cache *cache,
                                      int64_t frames, struct problem *problem);
void breaks_judge_free(struct breaks_judge *judge);

struct breaks_verdict {
    bool broken;
    struct health_dropout dropout;
    int64_t damage_first, damage_end; /* frames that no measurement should touch */
};

/** What is looked at: frames[count], places in order, of which the first is judged; no
 * sample before `from` is trusted. */
struct breaks_places {
    int channel;
    int64_t from;
    const int64_t *frames;
    int count;
};

bool breaks_judge_place(struct breaks_judge *judge, const struct breaks_places *places,
                        struct breaks_verdict *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
