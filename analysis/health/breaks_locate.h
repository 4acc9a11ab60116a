/**
 * Breaks in a recording of a signal that is known: where exactly, and how many frames.
 *
 * Where the recording reads on in the signal as before, up to an edge (breaks_edge), and
 * behind the edge too, but from another frame of it or after a hole. A restart of the
 * signal, steps of more than a second and holes of more than 0.25 s are no breaks.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_LOCATE_H
#define ANALYSIS_HEALTH_BREAKS_LOCATE_H

#include "analysis/health/breaks_edge.h"
#include "analysis/health/breaks_judge.h"
#include "analysis/health/breaks_match.h"

/** From `from` on the line `before` holds, at `to` (not for holes) `after` does. */
struct breaks_suspect {
    struct breaks_line before, after;
    int64_t from, to;
    bool hole; /* quiet pieces: first to last, of `unit` frames each */
    int64_t hole_first, hole_end;
};

struct breaks_locate;

/** All borrowed. */
struct breaks_locate_needs {
    struct capture *capture;
    struct breaks_render *render;
    struct breaks_match *match;
    int unit; /* frames that correlations are told by, at least */
};
/** NULL: OUT_OF_MEMORY. */
struct breaks_locate *breaks_locate_new(const struct breaks_locate_needs *needs,
                                        struct problem *problem)
    __attribute__((warn_unused_result));
void breaks_locate_free(struct breaks_locate *locate);

/** Another channel (from 0) from here on, and the signal's that it holds. */
void breaks_locate_begin(struct breaks_locate *locate, int channel, int signal_channel);

/** Reads the channel; *ret_count is less at the end. Problems: those of reading. */
bool breaks_locate_read(struct breaks_locate *locate, int64_t first, int count,
                        double *ret, int *ret_count, struct problem *problem)
    __attribute__((warn_unused_result));

/** Adds the breaks behind one suspicion, those of a channel in order, to verdicts[room],
 * of which *count are there; with them, not `broken`, stretches that could not be told.
 * Problems: those of reading and rendering. */
struct breaks_found {
    struct breaks_verdict *verdicts;
    int room, count;
};
bool breaks_locate_suspect(struct breaks_locate *locate,
                           const struct breaks_suspect *suspect,
                           struct breaks_found *found, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
