/**
 * WAV, RF64, BW64 and W64: fmt, ds64 and data. BW64 (ITU-R BS.2088) and RF64 (EBU Tech
 * 3306) say the same as far as audio goes.
 */
#ifndef ANALYSIS_CAPTURE_RIFF_H
#define ANALYSIS_CAPTURE_RIFF_H

#include <stdbool.h>

#include "analysis/capture/walk.h"

/** Takes form and audio, wherever the chunks tell of them. Problems: NOT_AUDIO,
 * UNSUPPORTED_FORMAT. */
bool riff_walk(struct chunks *chunks, enum container container, struct walk *ret,
               struct problem *problem) __attribute__((warn_unused_result));

#endif
