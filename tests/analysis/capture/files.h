/** Recordings in memory files: written by libsndfile, or by hand where the header lies.
 */
#ifndef TESTS_ANALYSIS_CAPTURE_FILES_H
#define TESTS_ANALYSIS_CAPTURE_FILES_H

#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sndfile.h>
#include <sys/mman.h>

#include "tests/support/support.h"

struct files_bytes {
    unsigned char at[1 << 17];
    size_t count;
};

static inline void files_text(struct files_bytes *bytes, const char *text)
{
    memcpy(bytes->at + bytes->count, text, strlen(text));
    bytes->count += strlen(text);
}

static inline void files_little(struct files_bytes *bytes, uint64_t value, int count)
{
    for (int i = 0; i < count; i++)
        bytes->at[bytes->count++] = (unsigned char)(value >> 8 * i);
}

static inline void files_big(struct files_bytes *bytes, uint64_t value, int count)
{
    for (int i = count - 1; i >= 0; i--)
        bytes->at[bytes->count++] = (unsigned char)(value >> 8 * i);
}

static inline int files_descriptor(const void *bytes, size_t count)
{
    int descriptor = memfd_create("test", MFD_CLOEXEC);
    assert_true(descriptor >= 0);
    assert_int_equal(write(descriptor, bytes, count), count);
    return descriptor;
}

static inline int files_from_bytes(const struct files_bytes *bytes)
{
    return files_descriptor(bytes->at, bytes->count);
}

/** What a WAV file says of itself; 0 in `block_align` for what fits. */
struct files_wav {
    unsigned tag, channels, rate_hz, bits, block_align;
    uint32_t data_bytes;  /* declared */
    size_t present_bytes; /* of zeros */
};

static inline void files_fmt(struct files_bytes *bytes, const struct files_wav *wav)
{
    unsigned align =
        wav->block_align ? wav->block_align : wav->channels * ((wav->bits + 7) / 8);
    files_little(bytes, wav->tag, 2);
    files_little(bytes, wav->channels, 2);
    files_little(bytes, wav->rate_hz, 4);
    files_little(bytes, (uint64_t)wav->rate_hz * align, 4);
    files_little(bytes, align, 2);
    files_little(bytes, wav->bits, 2);
}

/** `magic` is "RIFF", or "RF64" or "BW64", which get a ds64 chunk with data_64. */
static inline int files_wav(const char *magic, const struct files_wav *wav,
                            uint64_t data_64)
{
    static struct files_bytes bytes;
    memset(&bytes, 0, sizeof bytes);
    files_text(&bytes, magic);
    files_little(&bytes, strcmp(magic, "RIFF") ? 0xFFFFFFFF : 36 + wav->present_bytes, 4);
    files_text(&bytes, "WAVE");
    if (strcmp(magic, "RIFF") != 0) {
        files_text(&bytes, "ds64");
        files_little(&bytes, 28, 4);
        files_little(&bytes, 72 + wav->present_bytes, 8);
        files_little(&bytes, data_64, 8);
        files_little(&bytes, 0, 8);
        files_little(&bytes, 0, 4);
    }
    files_text(&bytes, "fmt ");
    files_little(&bytes, 16, 4);
    files_fmt(&bytes, wav);
    files_text(&bytes, "data");
    files_little(&bytes, wav->data_bytes, 4);
    bytes.count += wav->present_bytes;
    return files_from_bytes(&bytes);
}

/** Writes samples of −1 ≤ x < 1 with libsndfile; floats any. (libsndfile scales doubles
 * that it writes as integers by 2^(bits−1) − 1, so integers are given as integers.) */
static inline int files_written(int format, int rate_hz, int channels,
                                const double *interleaved, int64_t frames)
{
    int descriptor = memfd_create("test", MFD_CLOEXEC);
    assert_true(descriptor >= 0);
    SF_INFO info = {.format = format, .samplerate = rate_hz, .channels = channels};
    SNDFILE *file = sf_open_fd(descriptor, SFM_WRITE, &info, 0);
    assert_non_null(file);
    int subtype = format & SF_FORMAT_SUBMASK;
    if (subtype == SF_FORMAT_FLOAT || subtype == SF_FORMAT_DOUBLE) {
        assert_int_equal(sf_writef_double(file, interleaved, frames), frames);
    } else {
        int *integers = malloc((size_t)(frames * channels) * sizeof *integers);
        assert_non_null(integers);
        for (int64_t i = 0; i < frames * channels; i++)
            integers[i] = (int)(interleaved[i] * 0x1p31);
        assert_int_equal(sf_writef_int(file, integers, frames), frames);
        free(integers);
    }
    assert_int_equal(sf_close(file), 0);
    return descriptor;
}

#endif
