/**
 * Follows one channel's place in the signal, piece by piece: the inside of
 * breaks_reference.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_FOLLOW_H
#define ANALYSIS_HEALTH_BREAKS_FOLLOW_H

#include "analysis/health/breaks_locate.h"

enum {
    BREAKS_FOLLOW_PIECE = BREAKS_MATCH_LONGEST,
    BREAKS_FOLLOW_SUSPECTS = 256,
};

struct breaks_follow {
    double rate_hz;
    int signal_channel;       /* −1: nothing to follow */
    bool following;           /* the place is known */
    struct breaks_line line;  /* where it was last */
    struct breaks_line begun; /* where the line began: a clock is told by both */
    int learnt, missed;       /* pieces in a row */
    double strength, power;   /* as usual */
    int64_t next;             /* frame of the next piece */
    /* while it is sought: */
    double vain_power; /* of a piece that was not found */
    int64_t retry;     /* frame of the next try, unless something louder comes */
    int64_t patience;  /* frames */
    int tries;
    bool ever; /* it was found once, on this line: */
    struct breaks_line first;
    int suspect_count;
    struct breaks_suspect suspects[BREAKS_FOLLOW_SUSPECTS];
};

void breaks_follow_start(struct breaks_follow *follow, double rate_hz,
                         int signal_channel);

/** The piece samples[BREAKS_FOLLOW_PIECE] that begins at follow->next, which moves on, to
 * beyond the piece. `hint`: a line of another channel, or NULL. */
struct breaks_follow_needs {
    struct breaks_match *match;
    struct breaks_render *render;
    const struct breaks_line *hint;
};
bool breaks_follow_piece(struct breaks_follow *follow,
                         const struct breaks_follow_needs *needs, const double *samples,
                         struct problem *problem) __attribute__((warn_unused_result));

/** A line that held before the first one, from frame `from` on. */
void breaks_follow_suspect_head(struct breaks_follow *follow,
                                const struct breaks_line *line);
void breaks_follow_suspect_hole(struct breaks_follow *follow, int64_t first, int64_t end);

#endif
