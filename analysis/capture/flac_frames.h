/**
 * One FLAC frame after the other, by libFLAC. Only frames are taken whose checksums are
 * right, which go forwards, and of which no more can have been lost before than the lost
 * bytes could have held. Memory: one frame, at most 65535 samples of each channel.
 */
#ifndef ANALYSIS_CAPTURE_FLAC_FRAMES_H
#define ANALYSIS_CAPTURE_FLAC_FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/capture/walk.h"
#include "analysis/core/problem.h"

struct flac_frames;

/** What was taken last. */
struct flac_frames_block {
    int64_t first, frames;
    const double *samples; /* interleaved, full scale ±1.0 */
};

/** Gives them of a file (descriptor borrowed) of that form; declared_frames −1: unknown.
 * Rewind before anything else. NULL: no memory. */
struct flac_frames *flac_frames_new(int descriptor, int64_t file_bytes,
                                    const struct walk_form *form,
                                    int64_t declared_frames);
void flac_frames_free(struct flac_frames *frames);

/** In front of everything; with_sum: for flac_frames_sum_is_right. */
bool flac_frames_rewind(struct flac_frames *frames, bool with_sum,
                        struct problem *problem) __attribute__((warn_unused_result));

/** Takes the next one, which should begin at `expected` and begins there or later;
 * *ret_taken false: there is none any more. Problems: IO, OUT_OF_MEMORY, NOT_MEASURABLE
 * (rate, channels or bits change). */
bool flac_frames_next(struct flac_frames *frames, int64_t expected, bool *ret_taken,
                      struct problem *problem) __attribute__((warn_unused_result));

/** Takes what begins at `frame`, by libFLAC's own search. False where that is not sure:
 * then rewind. */
bool flac_frames_jump(struct flac_frames *frames, int64_t frame)
    __attribute__((warn_unused_result));

const struct flac_frames_block *flac_frames_block(const struct flac_frames *frames);

/** Something that could not be decoded has been met since the last block. */
bool flac_frames_are_damaged(const struct flac_frames *frames);

/** The most samples of a channel that can have been lost since the last block. */
int64_t flac_frames_room(const struct flac_frames *frames);

/** Ends the reading, which went on since rewinding: whether the MD5 is that of the
 * header. Rewind before reading on. */
bool flac_frames_sum_is_right(struct flac_frames *frames);

#endif
