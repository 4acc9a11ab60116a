/**
 * What the header of a recording declares, read by ourselves: libsndfile silently
 * corrects some lies, believes others, and says "bad format" where a tester needs the
 * number.
 */
#ifndef ANALYSIS_CAPTURE_HEADER_H
#define ANALYSIS_CAPTURE_HEADER_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/capture/container.h"
#include "analysis/core/problem.h"

struct header {
    bool found; /* the chunk that describes the audio is there */
    int64_t channels;
    double sample_rate_hz;
    int64_t frame_bytes; /* 0: compressed, or not told */
    int64_t frames;      /* −1: not told, or a placeholder of a recorder that streams */
};

/** Walks the chunks up to the audio. Problems: UNSUPPORTED_FORMAT for an encoding outside
 * the list. What cannot be made out is left to libsndfile (`found` false). */
bool header_read(int descriptor, enum container container, struct header *ret,
                 struct problem *problem) __attribute__((warn_unused_result));

/** Refuses what is outside the limits of capture.h: OUT_OF_RANGE, field `channels`,
 *  `sample_rate_hz` or `frames`. */
bool header_check(const struct header *header, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
