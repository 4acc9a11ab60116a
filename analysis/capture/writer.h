/**
 * Writes a WAV file of integer PCM front to back: the number of frames is known before
 * the first, so the header is right at once and nothing is written twice. The bytes
 * depend on the samples alone (no time, no software name). Up to 2 channels the plain
 * form, above that the extensible form without loudspeaker positions.
 */
#ifndef ANALYSIS_CAPTURE_WRITER_H
#define ANALYSIS_CAPTURE_WRITER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/core/problem.h"

struct writer_format {
    int sample_rate_hz;
    int bits; /* 16, 24 or 32 */
    int channels;
    int64_t frames;
};

struct writer {
    int descriptor; /* borrowed */
    struct writer_format format;
    int64_t frames_written, bytes_written;
    size_t used;
    unsigned char buffer[1 << 16];
};

/** Begins the file at the descriptor's position. OUT_OF_RANGE (field `duration_s`) where
 * it would not fit the 4 GiB of a WAV file; IO. */
bool writer_begin(int descriptor, const struct writer_format *format, struct writer *ret,
                  struct problem *problem) __attribute__((warn_unused_result));

/** Each sample within ±2^(bits−1). Never more frames than announced. */
bool writer_frames(struct writer *writer, const int32_t *interleaved, int64_t frames,
                   struct problem *problem) __attribute__((warn_unused_result));

/** Writes what is left, once all frames came. *ret_bytes is the size of the file. */
bool writer_end(struct writer *writer, int64_t *ret_bytes, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
