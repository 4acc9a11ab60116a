/**
 * A recording, opened from a descriptor and streamed block by block. Samples are doubles
 * with full scale ±1.0, neither clipped nor normalised; floats pass as they are.
 *
 * Formats by content: WAV (PCM 16/24/32, float 32/64, extensible), RF64, BW64, W64, AIFF,
 * CAF, FLAC. Anything else is refused by its name where the head tells it (MP3, Ogg, …).
 * Our own walk finds the audio (walk.h); libsndfile and libFLAC decode it.
 * Limits: 1–16 channels, 8–768 kHz, 4 h. No buffer is sized from a header.
 */
#ifndef ANALYSIS_CAPTURE_CAPTURE_H
#define ANALYSIS_CAPTURE_CAPTURE_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/core/problem.h"

enum {
    CAPTURE_MAX_CHANNELS = 16,
    CAPTURE_MIN_SAMPLE_RATE_HZ = 8000,
    CAPTURE_MAX_SAMPLE_RATE_HZ = 768000,
    CAPTURE_MAX_DURATION_S = 4 * 3600,
    CAPTURE_BLOCK_FRAMES = 4096,
};

struct capture_format {
    const char *container; /* "wav", "rf64", "bw64", "w64", "aiff", "caf", "flac" */
    const char *encoding;  /* "pcm_16", "pcm_24", "pcm_32", "float_32", "float_64" */
    int sample_rate_hz;
    int channels;
    int64_t frames; /* −1: the header of FLAC does not tell; once the end of FLAC has been
                       met, what is there */
};

/** What is odd about the container, told as a sentence with the numbers and what to do.
 */
struct capture_warning {
    const char *code; /* a string literal, one of the interface's */
    char message[400];
};

/** Of FLAC: whether what was read is what the encoder was given. */
enum capture_md5 {
    CAPTURE_MD5_NONE,   /* no FLAC */
    CAPTURE_MD5_ABSENT, /* the encoder left no sum */
    CAPTURE_MD5_UNREAD, /* not asked for, or not yet read from frame 0 to the end */
    CAPTURE_MD5_VERIFIED,
    CAPTURE_MD5_MISMATCH,
};

/** Silence put in where frames of FLAC were lost. */
struct capture_gap {
    int64_t first_frame, frames;
};

struct capture;

/** Opens what the descriptor holds (borrowed: it stays the caller's and open while the
 * capture lives). Problems: NOT_AUDIO, UNSUPPORTED_FORMAT, NO_AUDIO, OUT_OF_RANGE (field
 * `channels`, `sample_rate_hz` or `frames`). */
bool capture_open(int descriptor, struct capture **ret, struct problem *problem)
    __attribute__((warn_unused_result));
void capture_close(struct capture *capture);

const struct capture_format *capture_format(const struct capture *capture);

/** The container's truths; of FLAC, as reading meets them, also lost_sync, truncated and,
 * where capture_verify was called, md5_mismatch. The array is the capture's. */
const struct capture_warning *capture_warnings(const struct capture *capture,
                                               int *ret_count);

/** Has the MD5 of what is read from frame 0 on checked too; call right after opening. */
void capture_verify(struct capture *capture);
enum capture_md5 capture_md5(const struct capture *capture);

/** Those met so far, in order; the array is the capture's. */
const struct capture_gap *capture_gaps(const struct capture *capture, int *ret_count);

/** The next frame read will be `frame` (from 0). */
bool capture_seek(struct capture *capture, int64_t frame, struct problem *problem)
    __attribute__((warn_unused_result));

/** Reads the next block of up to `frames` frames, at most CAPTURE_BLOCK_FRAMES, and keeps
 * it for capture_channel. *ret_frames and problems as for capture_read. */
bool capture_fetch(struct capture *capture, int frames, int *ret_frames,
                   struct problem *problem) __attribute__((warn_unused_result));

/** Fills ret[count] with the samples of one channel (from 0) from frame `first` of the
 * block on. */
void capture_channel(const struct capture *capture, int channel, int first, int count,
                     double *ret);

/** Reads up to `frames` frames, interleaved. *ret_frames is less only at the end. A
 * sample that is NaN or infinite: NOT_FINITE, with channel and frame. Where
 * FLAC is damaged, silence stands in (capture_gaps); where nothing of it can be decoded,
 * or its rate, channels or bits change: NOT_MEASURABLE; where it has no declared length
 * and goes on beyond the limit: OUT_OF_RANGE, field `frames`. After a problem seek before
 * reading on. */
bool capture_read(struct capture *capture, double *interleaved, int64_t frames,
                  int64_t *ret_frames, struct problem *problem)
    __attribute__((warn_unused_result));

/** Bits of PCM; 0: floats. */
int capture_pcm_bits(const struct capture_format *format);

#endif
