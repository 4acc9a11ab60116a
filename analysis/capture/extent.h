/**
 * Where the audio lies in a file, settled between what its chunk declares and what the
 * file holds.
 */
#ifndef ANALYSIS_CAPTURE_EXTENT_H
#define ANALYSIS_CAPTURE_EXTENT_H

#include <stdint.h>

#include "analysis/capture/chunks.h"

enum extent_kind {
    EXTENT_AS_DECLARED,
    EXTENT_TRUNCATED, /* the file ends before */
    EXTENT_FROM_FILE, /* the size is a placeholder: up to the chunks at the end, if any */
    EXTENT_WRAPPED,   /* the size is that of the audio less a multiple of 2^32 */
};

struct extent {
    enum extent_kind kind;
    int64_t offset, bytes;
    int64_t declared_bytes; /* −1: a size that makes no sense, or none */
};

/** `offset` is within the file. A placeholder is believed where other chunks follow
 * behind so many bytes; so is a size that leaves 4 GiB or more unnamed behind it. */
struct extent extent_settle(const struct chunks *chunks, int64_t offset,
                            int64_t declared_bytes);

#endif
