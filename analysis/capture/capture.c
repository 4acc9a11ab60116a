#include "analysis/capture/capture.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <sndfile.h>
#include <sys/stat.h>

#include "analysis/capture/container.h"
#include "analysis/capture/flac_reader.h"
#include "analysis/capture/input.h"
#include "analysis/capture/walk.h"
#include "analysis/dsp/kernels.h"

enum { MAX_WARNINGS = WALK_MAX_WARNINGS + 3 };

struct capture {
    struct input input; /* of all but FLAC */
    SNDFILE *file;
    struct flac_reader *flac;
    struct walk walk;
    struct capture_format format;
    int raw_bytes;    /* of a sample that is stored as kernels_from_pcm reads it, or 0 */
    double *block;    /* what capture_fetch read: raw bytes or doubles; or NULL */
    int64_t position; /* of the next frame read; −1 after a problem */
    int64_t file_bytes;
    int warning_count;
    struct capture_warning warnings[MAX_WARNINGS];
};

static bool read_failed(struct capture *capture, struct problem *problem)
{
    capture->position = -1;
    return problem_set(problem, PROBLEM_IO, NULL,
                       "Reading the recording failed: %s; try again.",
                       strerror(capture->input.error));
}

static bool no_memory(struct problem *problem)
{
    return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                       "Not enough memory to read the recording.");
}

static const char *encoding_name(const struct walk_form *form)
{
    if (form->is_float)
        return form->sample_bytes == 4 ? "float_32" : "float_64";
    return form->sample_bytes == 2   ? "pcm_16"
           : form->sample_bytes == 3 ? "pcm_24"
                                     : "pcm_32";
}

/* The container is settled: libsndfile sees nothing but samples. */
static bool open_samples(struct capture *capture, struct problem *problem)
{
    const struct walk_form *form = &capture->walk.form;
    int pcm = form->sample_bytes == 2   ? SF_FORMAT_PCM_16
              : form->sample_bytes == 3 ? SF_FORMAT_PCM_24
                                        : SF_FORMAT_PCM_32;
    int floats = form->sample_bytes == 4 ? SF_FORMAT_FLOAT : SF_FORMAT_DOUBLE;
    SF_INFO info = {
        .samplerate = (int)form->sample_rate_hz,
        .channels = (int)form->channels,
        .format = SF_FORMAT_RAW | (form->is_float ? floats : pcm) |
                  (form->big_endian ? SF_ENDIAN_BIG : SF_ENDIAN_LITTLE),
    };
    SF_VIRTUAL_IO callbacks = input_callbacks;
    capture->file = sf_open_virtual(&callbacks, SFM_READ, &info, &capture->input);
    if (capture->file)
        return true;
    return capture->input.error ? read_failed(capture, problem) : no_memory(problem);
}

static bool open_decoder(struct capture *capture, int descriptor, int64_t file_bytes,
                         enum container container, struct problem *problem)
{
    const struct walk *walk = &capture->walk;
    if (container == CONTAINER_FLAC) {
        capture->flac = flac_reader_new(descriptor, file_bytes, walk);
        return capture->flac || no_memory(problem);
    }
    int64_t frame_bytes = walk->form.channels * walk->form.sample_bytes;
    capture->input = (struct input){
        .descriptor = descriptor,
        .offset = walk->extent.offset,
        .bytes = walk->frames * frame_bytes,
    };
    if (!walk->form.is_float && !walk->form.big_endian)
        capture->raw_bytes = walk->form.sample_bytes;
    return open_samples(capture, problem);
}

bool capture_open(int descriptor, struct capture **ret, struct problem *problem)
{
    enum container container;
    struct stat status;
    struct capture *capture = NULL;
    if (fstat(descriptor, &status) != 0 || !S_ISREG(status.st_mode))
        return problem_set(problem, PROBLEM_NOT_AUDIO, NULL,
                           "The recording must be a regular file.");
    if (!container_sniff(descriptor, &container, problem))
        return false;
    capture = calloc(1, sizeof *capture);
    if (!capture)
        return no_memory(problem);
    struct walk *walk = &capture->walk;
    if (!walk_file(descriptor, container, status.st_size, walk, problem) ||
        !open_decoder(capture, descriptor, status.st_size, container, problem)) {
        capture_close(capture);
        return false;
    }
    capture->format = (struct capture_format){
        .container = container_name(container),
        .encoding = encoding_name(&walk->form),
        .sample_rate_hz = (int)walk->form.sample_rate_hz,
        .channels = (int)walk->form.channels,
        .frames = walk->frames,
    };
    capture->file_bytes = status.st_size;
    capture->warning_count = walk->warning_count;
    memcpy(capture->warnings, walk->warnings, sizeof walk->warnings);
    *ret = capture;
    return true;
}

void capture_close(struct capture *capture)
{
    if (!capture)
        return;
    sf_close(capture->file);
    flac_reader_free(capture->flac);
    free(capture->block);
    free(capture);
}

const struct capture_format *capture_format(const struct capture *capture)
{
    return &capture->format;
}

const struct capture_warning *capture_warnings(const struct capture *capture,
                                               int *ret_count)
{
    *ret_count = capture->warning_count;
    return capture->warnings;
}

void capture_verify(struct capture *capture)
{
    if (capture->flac)
        flac_reader_verify(capture->flac);
}

enum capture_md5 capture_md5(const struct capture *capture)
{
    return capture->flac ? flac_reader_findings(capture->flac)->md5 : CAPTURE_MD5_NONE;
}

const struct capture_gap *capture_gaps(const struct capture *capture, int *ret_count)
{
    *ret_count = 0;
    if (!capture->flac)
        return NULL;
    const struct flac_reader_findings *findings = flac_reader_findings(capture->flac);
    *ret_count = findings->gaps.count;
    return findings->gaps.at;
}

static struct capture_warning *find_warning(struct capture *capture, const char *code)
{
    for (int i = 0; i < capture->warning_count; i++)
        if (strcmp(capture->warnings[i].code, code) == 0)
            return &capture->warnings[i];
    struct capture_warning *fresh = &capture->warnings[capture->warning_count++];
    *fresh = (struct capture_warning){.code = code};
    return fresh;
}

static void warn_lost(struct capture *capture, const struct flac_reader_findings *found)
{
    struct capture_warning *warning = find_warning(capture, "lost_sync");
    int64_t lost = 0, first = found->gaps.count > 0 ? found->gaps.at[0].first_frame : 0;
    for (int i = 0; i < found->gaps.count; i++)
        lost += found->gaps.at[i].frames;
    snprintf(warning->message, sizeof warning->message,
             "The FLAC stream is damaged: %lld frames in %d places are lost, the first "
             "at frame %lld (%.6g s)%s. Silence stands in their place; send the file "
             "anew, or record again.",
             (long long)lost, found->gaps.count, (long long)first,
             (double)first / capture->format.sample_rate_hz,
             found->ends_unreadable ? ", and the end cannot be decoded" : "");
}

static void warn_end(struct capture *capture, const struct flac_reader_findings *found)
{
    int64_t declared = capture->walk.declared_frames;
    double rate = capture->format.sample_rate_hz;
    if (declared > found->end) {
        struct capture_warning *warning = find_warning(capture, "truncated");
        snprintf(warning->message, sizeof warning->message,
                 "The header declares %lld frames (%.6g s), but the file of %lld bytes "
                 "holds only %lld (%.6g s): it was cut off. What is there is analysed; "
                 "send the whole file, or record again.",
                 (long long)declared, (double)declared / rate,
                 (long long)capture->file_bytes, (long long)found->end,
                 (double)found->end / rate);
    }
    if (found->md5 == CAPTURE_MD5_MISMATCH) {
        struct capture_warning *warning = find_warning(capture, "md5_mismatch");
        snprintf(warning->message, sizeof warning->message,
                 "The %lld frames decoded are not those that were encoded: their MD5 "
                 "differs from the one in the header. Send the file anew, or record "
                 "again.",
                 (long long)found->end);
    }
}

/* What reading FLAC brought to light becomes warnings and, with the end, the length. */
static void note_findings(struct capture *capture)
{
    const struct flac_reader_findings *found = flac_reader_findings(capture->flac);
    if (found->gaps.count > 0 || found->ends_unreadable)
        warn_lost(capture, found);
    if (found->end >= 0) {
        capture->format.frames = found->end;
        warn_end(capture, found);
    }
}

static bool beyond_end(const struct capture *capture, int64_t frame, int64_t frames,
                       struct problem *problem)
{
    return problem_set(
        problem, PROBLEM_OUT_OF_RANGE, "start_s",
        "Frame %lld (%.6g s) lies beyond the end of the recording, which has "
        "%lld frames.",
        (long long)frame, (double)frame / capture->format.sample_rate_hz,
        (long long)frames);
}

bool capture_seek(struct capture *capture, int64_t frame, struct problem *problem)
{
    assert(frame >= 0);
    int64_t frames = capture->format.frames;
    if (frames >= 0 && frame > frames)
        return beyond_end(capture, frame, frames, problem);
    if (frame == capture->position)
        return true;
    capture->position = -1;
    if (!capture->flac && sf_seek(capture->file, frame, SEEK_SET) != frame)
        return read_failed(capture, problem);
    if (capture->flac) {
        if (!flac_reader_seek(capture->flac, frame, problem))
            return false;
        note_findings(capture);
        frames = capture->format.frames; /* which may have come to light now */
        if (frames >= 0 && frame > frames)
            return beyond_end(capture, frame, frames, problem);
    }
    capture->position = frame;
    return true;
}

static bool all_finite(const double *samples, int64_t count)
{
    /* An exponent of all ones is NaN or infinity; written so that the compiler can do
     * several at a time. */
    const uint64_t exponent = 0x7FF0000000000000u;
    uint64_t bad = 0;
    for (int64_t i = 0; i < count; i++) {
        uint64_t bits;
        memcpy(&bits, samples + i, sizeof bits);
        bad |= (bits & exponent) == exponent;
    }
    return bad == 0;
}

static bool not_finite(struct capture *capture, const double *samples,
                       struct problem *problem)
{
    int64_t i = 0;
    while (all_finite(samples + i, 1))
        i++;
    int channels = capture->format.channels;
    int64_t frame = capture->position + i / channels;
    capture->position = -1;
    return problem_set(
        problem, PROBLEM_NOT_FINITE, NULL,
        "Channel %d holds a sample that is not a number or infinite at frame "
        "%lld (%.6f s); record again or export as PCM.",
        (int)(i % channels) + 1, (long long)frame,
        (double)frame / capture->format.sample_rate_hz);
}

/* Of PCM as it is stored, which kernels_from_pcm converts to what libsndfile gives, to
 * the bit, in a third of the time; else of doubles. Either way a frame's size is known.
 */
static bool read_block(struct capture *capture, int frames, int *ret_frames,
                       struct problem *problem)
{
    int frame_bytes = capture->format.channels * capture->raw_bytes;
    if (capture->flac) {
        bool good =
            flac_reader_read(capture->flac, capture->block, frames, ret_frames, problem);
        note_findings(capture);
        return good;
    }
    if (capture->raw_bytes == 0)
        *ret_frames = (int)sf_readf_double(capture->file, capture->block, frames);
    else
        *ret_frames = (int)(sf_read_raw(capture->file, capture->block,
                                        (sf_count_t)frames * frame_bytes) /
                            frame_bytes);
    return !capture->input.error || read_failed(capture, problem);
}

bool capture_fetch(struct capture *capture, int frames, int *ret_frames,
                   struct problem *problem)
{
    int channels = capture->format.channels, got = 0;
    assert(frames >= 0 && frames <= CAPTURE_BLOCK_FRAMES && capture->position >= 0);
    if (!capture->block)
        capture->block = malloc(sizeof(double) * CAPTURE_BLOCK_FRAMES * (size_t)channels);
    if (!capture->block)
        return no_memory(problem);
    if (!read_block(capture, frames, &got, problem)) {
        capture->position = -1;
        return false;
    }
    if (capture->walk.form.is_float &&
        !all_finite(capture->block, (int64_t)got * channels))
        return not_finite(capture, capture->block, problem);
    capture->position += got;
    *ret_frames = got;
    return true;
}

void capture_channel(const struct capture *capture, int channel, int first, int count,
                     double *ret)
{
    int channels = capture->format.channels, at = first * channels + channel;
    const uint8_t *bytes = (const uint8_t *)capture->block;
    if (capture->raw_bytes == 0)
        kernels_gather(capture->block + at, channels, count, ret);
    else
        kernels_from_pcm(bytes + (int64_t)at * capture->raw_bytes, capture->raw_bytes,
                         channels, count, ret);
}

bool capture_read(struct capture *capture, double *interleaved, int64_t frames,
                  int64_t *ret_frames, struct problem *problem)
{
    int channels = capture->format.channels;
    int64_t done = 0;
    while (done < frames) {
        int64_t left = frames - done;
        int want = left < CAPTURE_BLOCK_FRAMES ? (int)left : CAPTURE_BLOCK_FRAMES,
            got = 0;
        double *to = interleaved + done * channels;
        if (!capture_fetch(capture, want, &got, problem))
            return false;
        if (capture->raw_bytes == 0)
            memcpy(to, capture->block, sizeof *to * (size_t)(got * channels));
        else
            kernels_from_pcm((const uint8_t *)capture->block, capture->raw_bytes, 1,
                             got * channels, to);
        done += got;
        if (got < want)
            break;
    }
    *ret_frames = done;
    return true;
}

int capture_pcm_bits(const struct capture_format *format)
{
    int bits = 0;
    return sscanf(format->encoding, "pcm_%d", &bits) == 1 ? bits : 0;
}
