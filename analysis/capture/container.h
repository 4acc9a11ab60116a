/**
 * What kind of file the bytes are, told from the head alone: one of the containers we
 * read, a format we know by name but do not read, or no recording at all.
 */
#ifndef ANALYSIS_CAPTURE_CONTAINER_H
#define ANALYSIS_CAPTURE_CONTAINER_H

#include <stdbool.h>

#include "analysis/core/problem.h"

enum container {
    CONTAINER_WAV,
    CONTAINER_RF64,
    CONTAINER_BW64,
    CONTAINER_W64,
    CONTAINER_AIFF,
    CONTAINER_CAF,
    CONTAINER_FLAC,
};

/** "wav", "rf64", …, as the interface spells it. */
const char *container_name(enum container container);

/** Problems: NOT_AUDIO, UNSUPPORTED_FORMAT with the name of what it is. */
bool container_sniff(int descriptor, enum container *ret, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
