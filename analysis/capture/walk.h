/**
 * Finds the audio in a file by ourselves, before any library sees it: libsndfile silently
 * corrects some lies, believes others, and says "bad format" where a tester needs the
 * number. What a header declares is held against what the file holds, and each difference
 * becomes a warning with its numbers.
 *
 * How oddities are decided:
 * - Two format chunks must be the same. Of two data chunks the first one counts, the
 *   second is told as trailing bytes. Chunks may come in any order.
 * - Samples are left-justified in their bytes, as the extensible form and AIFF say, so
 *   the bits that are valid need not be known. 17 to 24 bits may lie in 4 bytes in plain
 *   WAV too (SciPy reads them so); any other width that does not fit its bits is refused,
 *   since it could as well be a wrong number of channels.
 * - Bytes per second are not looked at.
 * - What follows the audio is never taken for audio. Metadata of any name is passed over
 *   in silence; what is no chunk is told as trailing bytes.
 */
#ifndef ANALYSIS_CAPTURE_WALK_H
#define ANALYSIS_CAPTURE_WALK_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/capture/capture.h"
#include "analysis/capture/container.h"
#include "analysis/capture/extent.h"
#include "analysis/core/problem.h"

enum { WALK_MAX_WARNINGS = 8 };

/** How samples are stored. */
struct walk_form {
    int64_t channels;
    double sample_rate_hz;
    int sample_bytes; /* FLAC: of the PCM that it is taken for */
    int bits;         /* FLAC: of a sample; else 0 */
    bool is_float, big_endian;
};

struct walk {
    bool found; /* the form was told */
    struct walk_form form;
    int64_t declared_frames; /* of AIFF's COMM and of FLAC; −1: not told */
    int64_t frames;          /* whole ones; −1: FLAC that does not tell */
    struct extent extent;    /* of the audio's bytes, offset 0: none; not of FLAC */
    bool has_second_audio;
    bool lacks_md5; /* FLAC */
    int warning_count;
    struct capture_warning warnings[WALK_MAX_WARNINGS];
};

/** Problems: NOT_AUDIO (no format or no audio chunk), UNSUPPORTED_FORMAT (field
 * `encoding`), NO_AUDIO, OUT_OF_RANGE (field `channels`, `sample_rate_hz`, `frames`). */
bool walk_file(int descriptor, enum container container, int64_t file_bytes,
               struct walk *ret, struct problem *problem)
    __attribute__((warn_unused_result));

/** What the families tell, each once in a file: the form, and where the audio begins. A
 * second form that differs is UNSUPPORTED_FORMAT; second audio is warned of. `chunk` is
 * the one that holds the audio, `skipped` bytes of its content come before; its size
 * becomes what extent_settle makes of it. */
bool walk_take_form(struct walk *walk, const struct walk_form *form,
                    struct problem *problem) __attribute__((warn_unused_result));
void walk_take_audio(struct walk *walk, const struct chunks *chunks, struct chunk *chunk,
                     int64_t skipped);

/** Adds a warning; code is a string literal. */
void walk_warn(struct walk *walk, const char *code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/** UNSUPPORTED_FORMAT: "The samples are WHAT; send …". Returns false. */
bool walk_refuse(struct problem *problem, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
