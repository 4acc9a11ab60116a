#include "analysis/capture/flac_writer.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sndfile.h>

enum {
    CHANNELS_MAX = 8,
    RATE_ANY_MAX_HZ = 65535,       /* 16 bits of a frame's header count 1 Hz … */
    RATE_TENS_MAX_HZ = 10 * 65535, /* … or 10 Hz */
    BLOCK_SAMPLES = 8192,
};

struct flac_writer {
    int descriptor; /* borrowed */
    struct writer_format format;
    SNDFILE *file;
    int64_t position, size_bytes, frames_written;
    int error; /* of the first write that failed */
    int32_t block[BLOCK_SAMPLES];
};

static sf_count_t length(void *context)
{
    return ((struct flac_writer *)context)->size_bytes;
}

static sf_count_t seek(sf_count_t offset, int whence, void *context)
{
    struct flac_writer *writer = context;
    int64_t base = whence == SEEK_SET   ? 0
                   : whence == SEEK_CUR ? writer->position
                                        : writer->size_bytes;
    if (base + offset < 0)
        return -1;
    return writer->position = base + offset;
}

static sf_count_t read_back(void *bytes, sf_count_t count, void *context)
{
    struct flac_writer *writer = context;
    ssize_t got = pread(writer->descriptor, bytes, (size_t)count, writer->position);
    if (got > 0)
        writer->position += got;
    return got > 0 ? got : 0;
}

static sf_count_t write_next(const void *bytes, sf_count_t count, void *context)
{
    struct flac_writer *writer = context;
    sf_count_t done = 0;
    while (done < count && writer->error == 0) {
        ssize_t put = pwrite(writer->descriptor, (const char *)bytes + done,
                             (size_t)(count - done), writer->position);
        if (put == 0 || (put < 0 && errno != EINTR))
            writer->error = put == 0 ? EIO : errno;
        if (put <= 0)
            continue;
        done += put;
        writer->position += put;
        if (writer->position > writer->size_bytes)
            writer->size_bytes = writer->position;
    }
    return done;
}

static sf_count_t tell(void *context)
{
    return ((struct flac_writer *)context)->position;
}

static bool check_format(const struct writer_format *format, struct problem *problem)
{
    int rate_hz = format->sample_rate_hz;
    if (format->bits != 16 && format->bits != 24)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "bits",
                           "FLAC is rendered with 16 or 24 bits, not %d; choose one of "
                           "them, or WAV.",
                           format->bits);
    if (format->channels > CHANNELS_MAX)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "channels",
                           "FLAC holds up to %d channels, not %d; choose fewer, or WAV.",
                           CHANNELS_MAX, format->channels);
    if (rate_hz > RATE_TENS_MAX_HZ)
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "sample_rate_hz",
            "FLAC holds sample rates up to %d Hz, not %d Hz; choose a lower "
            "one, or WAV.",
            RATE_TENS_MAX_HZ, rate_hz);
    if (rate_hz > RATE_ANY_MAX_HZ && rate_hz % 10 != 0)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "sample_rate_hz",
                           "Above %d Hz FLAC holds multiples of 10 Hz, not %d Hz; choose "
                           "one of them, or WAV.",
                           RATE_ANY_MAX_HZ, rate_hz);
    return true;
}

/* What the encoder's silence may hide: a write that failed, or frames it did not take. */
static bool failed(const struct flac_writer *writer, struct problem *problem)
{
    int error = writer->error;
    bool full = error == ENOSPC || error == EDQUOT;
    return problem_set(problem, full ? PROBLEM_DISK_FULL : PROBLEM_IO, NULL,
                       "Writing the audio failed after %lld bytes: %s.",
                       (long long)writer->size_bytes,
                       error != 0 ? strerror(error) : "the encoder refused it");
}

bool flac_writer_begin(int descriptor, const struct writer_format *format,
                       struct flac_writer **ret, struct problem *problem)
{
    SF_VIRTUAL_IO callbacks = {.get_filelen = length,
                               .seek = seek,
                               .read = read_back,
                               .write = write_next,
                               .tell = tell};
    SF_INFO info = {
        .samplerate = format->sample_rate_hz,
        .channels = format->channels,
        .format =
            SF_FORMAT_FLAC | (format->bits == 16 ? SF_FORMAT_PCM_16 : SF_FORMAT_PCM_24),
    };
    if (!check_format(format, problem))
        return false;
    struct flac_writer *writer = malloc(sizeof *writer);
    if (writer == NULL)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to write FLAC.");
    *writer = (struct flac_writer){.descriptor = descriptor, .format = *format};
    writer->file = sf_open_virtual(&callbacks, SFM_WRITE, &info, writer);
    if (writer->file != NULL) {
        *ret = writer;
        return true;
    }
    failed(writer, problem);
    free(writer);
    return false;
}

bool flac_writer_frames(struct flac_writer *writer, const int32_t *interleaved,
                        int64_t frames, struct problem *problem)
{
    assert(frames <= writer->format.frames - writer->frames_written);
    int channels = writer->format.channels, shift = 32 - writer->format.bits;
    int64_t block_frames = BLOCK_SAMPLES / channels;
    for (int64_t done = 0; done < frames;) {
        int64_t count = frames - done < block_frames ? frames - done : block_frames;
        /* libsndfile takes integers at the top of 32 bits. */
        for (int64_t i = 0; i < count * channels; i++)
            writer->block[i] =
                (int32_t)((uint32_t)interleaved[done * channels + i] << shift);
        if (sf_writef_int(writer->file, writer->block, count) != count ||
            writer->error != 0)
            return failed(writer, problem);
        done += count;
    }
    writer->frames_written += frames;
    return true;
}

bool flac_writer_end(struct flac_writer *writer, int64_t *ret_bytes,
                     struct problem *problem)
{
    assert(writer->frames_written == writer->format.frames);
    int error = sf_close(writer->file);
    writer->file = NULL;
    if (error != 0 || writer->error != 0)
        return failed(writer, problem);
    *ret_bytes = writer->size_bytes;
    return true;
}

void flac_writer_free(struct flac_writer *writer)
{
    if (writer == NULL)
        return;
    if (writer->file != NULL)
        sf_close(writer->file);
    free(writer);
}
