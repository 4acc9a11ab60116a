/**
 * A stretch of a descriptor as the decoding libraries read it: by pread at a position of
 * its own, so that neither a file system nor the descriptor's shared offset is needed.
 * What lies outside the stretch is not there for them.
 */
#ifndef ANALYSIS_CAPTURE_INPUT_H
#define ANALYSIS_CAPTURE_INPUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <sndfile.h>

struct input {
    int descriptor;        /* borrowed */
    int64_t offset, bytes; /* the stretch */
    int64_t position;      /* in it */
    int error;             /* errno of the first read that failed, or 0 */
};

/** Reads up to `count` bytes and moves on; fewer only at the end of the stretch or after
 * an error, which is kept in `error`. */
int64_t input_read(struct input *input, void *bytes, int64_t count);

/** The callbacks; their context is a struct input. */
extern const SF_VIRTUAL_IO input_callbacks;

/** Reads exactly `count` bytes at `offset`; false when they are not all there. */
bool input_read_at(int descriptor, int64_t offset, void *bytes, size_t count)
    __attribute__((warn_unused_result));

#endif
