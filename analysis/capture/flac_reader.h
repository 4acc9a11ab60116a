/**
 * The frames of a FLAC file, by libFLAC, with what libsndfile does not tell: which frames
 * were lost, and whether the MD5 is right.
 *
 * Each FLAC frame tells its own position. Only frames whose checksums are right and that
 * go forwards are taken; where one lies farther on than it should, silence stands in for
 * what is missing, so that frame numbers stay right, and the gap is kept. Whether a
 * silence is long is limited by what the lost bytes could have held.
 *
 * Memory: one FLAC frame (at most 65535 frames), as it was met. Not thread-safe.
 */
#ifndef ANALYSIS_CAPTURE_FLAC_READER_H
#define ANALYSIS_CAPTURE_FLAC_READER_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/capture/gaps.h"
#include "analysis/capture/walk.h"
#include "analysis/core/problem.h"

struct flac_reader;

/** Gives a reader at frame 0 of the file (descriptor borrowed) that `walk` describes;
 * nothing is read yet. NULL: no memory. */
struct flac_reader *flac_reader_new(int descriptor, int64_t file_bytes,
                                    const struct walk *walk);
void flac_reader_free(struct flac_reader *reader);

/** Before anything is read: has the MD5 checked while reading from frame 0 to the end. */
void flac_reader_verify(struct flac_reader *reader);

/** Reads up to `frames` frames, interleaved, full scale ±1.0; fewer only at the end.
 * Problems: IO, OUT_OF_MEMORY, NOT_MEASURABLE (nothing can be decoded, or rate, channels
 * or bits change on the way), OUT_OF_RANGE (field `frames`: longer than the limit). */
bool flac_reader_read(struct flac_reader *reader, double *interleaved, int frames,
                      int *ret_frames, struct problem *problem)
    __attribute__((warn_unused_result));

/** The next frame read will be `frame`, or there will be none where the end lies before
 * it. Problems as for flac_reader_read. */
bool flac_reader_seek(struct flac_reader *reader, int64_t frame, struct problem *problem)
    __attribute__((warn_unused_result));

/** What has been found out so far. */
struct flac_reader_findings {
    struct gaps gaps;
    int64_t end;          /* the frame behind the last one; −1: not met yet */
    bool ends_unreadable; /* the last bytes could not be decoded */
    enum capture_md5 md5;
};
const struct flac_reader_findings *flac_reader_findings(const struct flac_reader *reader);

#endif
