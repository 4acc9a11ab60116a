/**
 * Writes a FLAC file of 16 or 24 bits through libsndfile. The bytes depend on the samples
 * and on the encoder's version alone (no time is written); STREAMINFO holds the number of
 * frames and the MD5 of the samples (RFC 9639), for which the descriptor must be able to
 * seek.
 */
#ifndef ANALYSIS_CAPTURE_FLAC_WRITER_H
#define ANALYSIS_CAPTURE_FLAC_WRITER_H

#include "analysis/capture/writer.h"

struct flac_writer;

/** Begins the file at offset 0 of the borrowed descriptor, an empty file. Gives *ret.
 * Refuses what the encoder does not hold: OUT_OF_RANGE with the field `bits` (other than
 * 16 and 24), `channels` (above 8) or `sample_rate_hz` (above 655350, or above 65535 and
 * no multiple of 10: the limits of the streamable subset, which libsndfile always
 * writes); OUT_OF_MEMORY, IO. */
bool flac_writer_begin(int descriptor, const struct writer_format *format,
                       struct flac_writer **ret, struct problem *problem)
    __attribute__((warn_unused_result));

/** As writer_frames, DISK_FULL included. */
bool flac_writer_frames(struct flac_writer *writer, const int32_t *interleaved,
                        int64_t frames, struct problem *problem)
    __attribute__((warn_unused_result));

/** Completes the file, once all frames came. *ret_bytes is its size. */
bool flac_writer_end(struct flac_writer *writer, int64_t *ret_bytes,
                     struct problem *problem) __attribute__((warn_unused_result));

/** At any time, NULL included; before flac_writer_end the file is of no use. */
void flac_writer_free(struct flac_writer *writer);

#endif
