/**
 * A descriptor as libsndfile reads it: by pread at a position of its own, so that neither
 * a file system nor the descriptor's shared offset is needed. The first four bytes of a
 * BW64 file are shown as "RF64", which libsndfile knows; the two layouts are otherwise
 * the same as far as audio goes (ITU-R BS.2088).
 */
#ifndef ANALYSIS_CAPTURE_INPUT_H
#define ANALYSIS_CAPTURE_INPUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <sndfile.h>

struct input {
    int descriptor; /* borrowed */
    int64_t position, size_bytes;
    bool shows_rf64;
    int error; /* errno of the first read that failed, or 0 */
};

/** The callbacks; their context is a struct input. */
extern const SF_VIRTUAL_IO input_callbacks;

/** Reads exactly `count` bytes at `offset`; false when they are not all there. */
bool input_read_at(int descriptor, int64_t offset, void *bytes, size_t count)
    __attribute__((warn_unused_result));

#endif
