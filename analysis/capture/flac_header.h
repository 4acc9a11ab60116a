/**
 * The head of a FLAC file: STREAMINFO, and where the metadata ends (RFC 9639).
 */
#ifndef ANALYSIS_CAPTURE_FLAC_HEADER_H
#define ANALYSIS_CAPTURE_FLAC_HEADER_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/capture/walk.h"

/** Takes the form, the frames and whether there is an MD5. Problems: NOT_AUDIO,
 * UNSUPPORTED_FORMAT, NO_AUDIO where the file ends with its metadata. */
bool flac_header_walk(int descriptor, int64_t file_bytes, struct walk *ret,
                      struct problem *problem) __attribute__((warn_unused_result));

#endif
