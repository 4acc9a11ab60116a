/**
 * The edge at which a recording leaves one place in a signal that is known for another:
 * to the frame, and whether there is a hole between the two.
 *
 * The path from the signal to the recording (gain, polarity, filters, a fraction of a
 * frame) is taken from the samples on each side as a short filter (breaks_path); the edge
 * lies where what the filters leave is least from the one side up to it and from the
 * other behind it, and in the hole what differs from its level. It is valid where either
 * side explains half of the power beside the edge, and the other one does not.
 *
 * Memory: 10 bytes times the sample rate.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_EDGE_H
#define ANALYSIS_HEALTH_BREAKS_EDGE_H

#include "analysis/capture/capture.h"
#include "analysis/health/breaks_render.h"

/** A recording's frame n holds the signal's frame position + (n − frame)·(1 + rate). */
struct breaks_line {
    int64_t frame;
    double position, rate;
};
double breaks_line_at(const struct breaks_line *line, int64_t frame);

struct breaks_edge_seeker;

/** All borrowed. */
struct breaks_edge_needs {
    struct capture *capture;
    struct breaks_render *render;
    int longest;       /* frames that an edge may be sought in, at most */
    int shortest_hole; /* noise has lulls of its own */
};
/** NULL: OUT_OF_MEMORY. */
struct breaks_edge_seeker *breaks_edge_seeker_new(const struct breaks_edge_needs *needs,
                                                  struct problem *problem)
    __attribute__((warn_unused_result));
void breaks_edge_seeker_free(struct breaks_edge_seeker *seeker);

/** Another channel (from 0) from here on, and the signal's that it holds. */
void breaks_edge_channel(struct breaks_edge_seeker *seeker, int channel,
                         int signal_channel);

/** Reads the channel; *ret_count is less at the end. Problems: those of reading. */
bool breaks_edge_read(struct breaks_edge_seeker *seeker, int64_t first, int count,
                      double *ret, int *ret_count, struct problem *problem)
    __attribute__((warn_unused_result));

struct breaks_edge {
    struct breaks_line before, after;
    int64_t trusted;    /* no frame before is looked at */
    int64_t first, end; /* it lies in these frames */
    double level;       /* of the hole, where there is one */
    /* found: */
    bool looked, hole, valid;
    int64_t k1, k2; /* the first frame that is no more of the one side, and the first of
                       the other; the same without a hole */
};

/** Seeks it. Problems: those of reading and rendering. */
bool breaks_edge_seek(struct breaks_edge_seeker *seeker, struct breaks_edge *edge,
                      struct problem *problem) __attribute__((warn_unused_result));

/** Frames of the signal that are left out at the edge sought last, a valid one; negative:
 * that come again. Problems: those of rendering. */
bool breaks_edge_step(struct breaks_edge_seeker *seeker, const struct breaks_edge *edge,
                      int64_t *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
