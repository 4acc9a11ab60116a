/**
 * From chunk to chunk of a RIFF, W64, AIFF or CAF file, by sizes that may lie: nothing is
 * read outside the file, nothing is allocated, and after CHUNKS_MOST chunks it is over.
 *
 * A chunk of an odd size must be followed by a pad byte (RIFF, AIFF), of any value here.
 * Some writers forget it: then the next chunk is found where it is, and `pad_missing`
 * tells. A pad missing at the very end of a file misleads nobody and is not told.
 */
#ifndef ANALYSIS_CAPTURE_CHUNKS_H
#define ANALYSIS_CAPTURE_CHUNKS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analysis/capture/container.h"

/* A header has a dozen chunks; a file of nothing but empty ones must not keep us busy. */
enum { CHUNKS_MOST = 1000, CHUNKS_TAIL_BYTES = 65536 };

struct chunk {
    char name[5];    /* four printable letters */
    int64_t head;    /* where its name begins */
    int64_t content; /* where what it holds begins */
    int64_t bytes;   /* as declared; −1: a size that makes no sense */
};

struct chunks_layout;

struct chunks {
    int descriptor; /* borrowed */
    int64_t file_bytes;
    const struct chunks_layout *layout;
    int64_t offset; /* of the next chunk */
    int count;
    bool pad_missing;
    struct chunk unpadded; /* the first one without its pad */
};

/** Before the first chunk. `container` is not FLAC. */
struct chunks chunks_begin(int descriptor, enum container container, int64_t file_bytes);

/** The next chunk, whose content may reach beyond the end of the file; false where none
 * begins. chunks_pass goes behind it; until then it is found again. */
bool chunks_next(struct chunks *chunks, struct chunk *ret)
    __attribute__((warn_unused_result));

/** All of the chunk is in the file. */
bool chunks_holds(const struct chunks *chunks, const struct chunk *chunk);

/** Goes behind a chunk that chunks_holds. */
void chunks_pass(struct chunks *chunks, const struct chunk *chunk);

/** Fills bytes[count] from the chunk's content; false when they are not all there. */
bool chunks_read(const struct chunks *chunks, const struct chunk *chunk, void *bytes,
                 size_t count) __attribute__((warn_unused_result));

/** Whether audio can end at `end`: with the end of the file, a chunk of a usual name, or
 * chunks of any names up to the end exactly. */
bool chunks_follow(const struct chunks *chunks, int64_t end);

/** Where, not before `from`, the last CHUNKS_TAIL_BYTES of the file begin to be chunks up
 * to the end exactly, the first of a usual name; the end of the file where they do not.
 */
int64_t chunks_tail(const struct chunks *chunks, int64_t from);

/** The size field has 32 bits, so that larger sizes wrap. */
bool chunks_are_narrow(const struct chunks *chunks);

uint64_t chunks_little(const unsigned char *bytes, int count);
uint64_t chunks_big(const unsigned char *bytes, int count);

#endif
