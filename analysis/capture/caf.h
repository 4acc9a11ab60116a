/**
 * CAF: desc and data. Only linear PCM, packed in whole bytes; the bits of a wider packing
 * could lie at either end.
 */
#ifndef ANALYSIS_CAPTURE_CAF_H
#define ANALYSIS_CAPTURE_CAF_H

#include <stdbool.h>

#include "analysis/capture/walk.h"

/** Takes form and audio, wherever the chunks tell of them. Problems: NOT_AUDIO,
 * UNSUPPORTED_FORMAT. */
bool caf_walk(struct chunks *chunks, struct walk *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
