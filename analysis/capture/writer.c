#include "analysis/capture/writer.h"

#include <assert.h>
#include <errno.h>
#include <string.h>
#include <unistd.h>

enum { PLAIN_HEADER_BYTES = 44, EXTENSIBLE_HEADER_BYTES = 68 };

static bool flush(struct writer *writer, struct problem *problem)
{
    size_t done = 0;
    while (done < writer->used) {
        ssize_t put =
            write(writer->descriptor, writer->buffer + done, writer->used - done);
        if (put < 0 && errno == EINTR)
            continue;
        bool full = put < 0 && (errno == ENOSPC || errno == EDQUOT);
        if (put < 0)
            return problem_set(problem, full ? PROBLEM_DISK_FULL : PROBLEM_IO, NULL,
                               "Writing the audio failed after %lld bytes: %s.",
                               (long long)writer->bytes_written, strerror(errno));
        done += (size_t)put;
        writer->bytes_written += put;
    }
    writer->used = 0;
    return true;
}

static void append(struct writer *writer, uint64_t value, int bytes)
{
    assert(writer->used + (size_t)bytes <= sizeof writer->buffer);
    for (int i = 0; i < bytes; i++)
        writer->buffer[writer->used++] = (unsigned char)(value >> 8 * i);
}

static void append_text(struct writer *writer, const char *text)
{
    for (; *text; text++)
        append(writer, (unsigned char)*text, 1);
}

/* The rest of WAVE_FORMAT_EXTENSIBLE: 22 bytes follow, all bits valid, no positions, and
 * the GUID of PCM, which begins with the plain tag 1. */
static void append_extension(struct writer *writer)
{
    static const unsigned char guid[16] = {1,    0, 0, 0,    0, 0,    0x10, 0,
                                           0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71};
    append(writer, 22, 2);
    append(writer, (uint64_t)writer->format.bits, 2);
    append(writer, 0, 4);
    for (size_t i = 0; i < sizeof guid; i++)
        append(writer, guid[i], 1);
}

static void append_header(struct writer *writer, int header_bytes, int64_t data_bytes)
{
    const struct writer_format *format = &writer->format;
    bool extensible = header_bytes == EXTENSIBLE_HEADER_BYTES;
    uint64_t frame_bytes = (uint64_t)format->channels * (uint64_t)format->bits / 8;
    uint64_t riff_bytes = (uint64_t)(header_bytes - 8 + data_bytes + (data_bytes & 1));
    append_text(writer, "RIFF");
    append(writer, riff_bytes, 4);
    append_text(writer, "WAVEfmt ");
    append(writer, extensible ? 40 : 16, 4);
    append(writer, extensible ? 0xFFFE : 1, 2);
    append(writer, (uint64_t)format->channels, 2);
    append(writer, (uint64_t)format->sample_rate_hz, 4);
    append(writer, (uint64_t)format->sample_rate_hz * frame_bytes, 4);
    append(writer, frame_bytes, 2);
    append(writer, (uint64_t)format->bits, 2);
    if (extensible)
        append_extension(writer);
    append_text(writer, "data");
    append(writer, (uint64_t)data_bytes, 4);
}

static int64_t frame_bytes(const struct writer_format *format)
{
    return (int64_t)format->channels * format->bits / 8;
}

bool writer_begin(int descriptor, const struct writer_format *format, struct writer *ret,
                  struct problem *problem)
{
    assert(format->bits == 16 || format->bits == 24 || format->bits == 32);
    assert(format->channels > 0 && format->frames >= 0);
    int header_bytes =
        format->channels > 2 ? EXTENSIBLE_HEADER_BYTES : PLAIN_HEADER_BYTES;
    int64_t limit_frames = ((int64_t)UINT32_MAX - header_bytes - 1) / frame_bytes(format);
    if (format->frames > limit_frames)
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "duration_s",
            "%.6g s of %d channels of %d bits at %d Hz exceed the 4 GiB of a "
            "WAV file; %.6g s fit.",
            (double)format->frames / format->sample_rate_hz, format->channels,
            format->bits, format->sample_rate_hz,
            (double)limit_frames / format->sample_rate_hz);
    ret->descriptor = descriptor;
    ret->format = *format;
    ret->frames_written = 0;
    ret->bytes_written = 0;
    ret->used = 0;
    append_header(ret, header_bytes, format->frames * frame_bytes(format));
    return true;
}

bool writer_frames(struct writer *writer, const int32_t *interleaved, int64_t frames,
                   struct problem *problem)
{
    assert(frames <= writer->format.frames - writer->frames_written);
    int bytes = writer->format.bits / 8;
    int64_t samples = frames * writer->format.channels;
    for (int64_t i = 0; i < samples; i++) {
        if (writer->used + (size_t)bytes > sizeof writer->buffer &&
            !flush(writer, problem))
            return false;
        append(writer, (uint32_t)interleaved[i], bytes);
    }
    writer->frames_written += frames;
    return true;
}

bool writer_end(struct writer *writer, int64_t *ret_bytes, struct problem *problem)
{
    assert(writer->frames_written == writer->format.frames);
    bool odd = writer->format.frames * frame_bytes(&writer->format) % 2 != 0;
    if (!flush(writer, problem))
        return false;
    if (odd)
        append(writer, 0, 1);
    if (!flush(writer, problem))
        return false;
    *ret_bytes = writer->bytes_written;
    return true;
}
