#include "analysis/capture/capture.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include <sndfile.h>
#include <sys/stat.h>

#include "analysis/capture/container.h"
#include "analysis/capture/header.h"
#include "analysis/capture/input.h"
#include "analysis/dsp/kernels.h"

struct capture {
    struct input input;
    SNDFILE *file;
    enum container container;
    struct capture_format format;
    bool is_float;
    int raw_bytes;    /* of a sample that is stored as kernels_from_pcm reads it, or 0 */
    double *block;    /* what capture_fetch read: raw bytes or doubles; or NULL */
    int64_t position; /* of the next frame read; −1 after a problem */
    bool verifies;
    int warning_count, gap_count;
    struct capture_warning warnings[8];
    struct capture_gap gaps[1];
};

enum { SKIP_FRAMES = 4096 };

static bool read_failed(struct capture *capture, struct problem *problem)
{
    capture->position = -1;
    return problem_set(problem, PROBLEM_IO, NULL,
                       "Reading the recording failed: %s; try again.",
                       strerror(capture->input.error));
}

static const char *encoding_name(int subtype)
{
    switch (subtype) {
    case SF_FORMAT_PCM_16:
        return "pcm_16";
    case SF_FORMAT_PCM_24:
        return "pcm_24";
    case SF_FORMAT_PCM_32:
        return "pcm_32";
    case SF_FORMAT_FLOAT:
        return "float_32";
    case SF_FORMAT_DOUBLE:
        return "float_64";
    default:
        return NULL;
    }
}

static bool unsupported_encoding(int subtype, struct problem *problem)
{
    SF_FORMAT_INFO info = {.format = subtype};
    bool named = sf_command(NULL, SFC_GET_FORMAT_INFO, &info, sizeof info) == 0;
    return problem_set(
        problem, PROBLEM_UNSUPPORTED_FORMAT, "encoding",
        "The samples are %s; send PCM of 16, 24 or 32 bits, or floats of 32 "
        "or 64 bits.",
        named && info.name ? info.name : "of an encoding unknown to us");
}

/* (Re)opens at frame 0. */
static bool open_file(struct capture *capture, SF_INFO *ret, struct problem *problem)
{
    sf_close(capture->file);
    capture->input.position = 0;
    *ret = (SF_INFO){0};
    SF_VIRTUAL_IO callbacks = input_callbacks;
    capture->file = sf_open_virtual(&callbacks, SFM_READ, ret, &capture->input);
    if (capture->file) {
        capture->position = 0;
        return true;
    }
    if (capture->input.error)
        return read_failed(capture, problem);
    int code = sf_error(NULL);
    return problem_set(problem,
                       code == SF_ERR_UNSUPPORTED_ENCODING ? PROBLEM_UNSUPPORTED_FORMAT
                                                           : PROBLEM_NOT_AUDIO,
                       NULL, "The header of this %s file cannot be read: %s",
                       container_name(capture->container), sf_strerror(NULL));
}

/* What libsndfile made of the file, checked against the limits and our own reading. */
static bool take_format(struct capture *capture, const struct header *declared,
                        const SF_INFO *info, struct problem *problem)
{
    const char *encoding = encoding_name(info->format & SF_FORMAT_SUBMASK);
    if (!encoding)
        return unsupported_encoding(info->format & SF_FORMAT_SUBMASK, problem);
    bool unknown = capture->container == CONTAINER_FLAC && declared->frames < 0;
    struct header found = {
        .channels = info->channels,
        .sample_rate_hz = info->samplerate,
        .frames = unknown ? -1 : info->frames,
    };
    if (!header_check(&found, problem))
        return false;
    if (found.frames == 0)
        return problem_set(
            problem, PROBLEM_NO_AUDIO, NULL,
            "The header tells of no frame of audio (the file has %lld bytes); "
            "record again, and let the recorder finish its file.",
            (long long)capture->input.size_bytes);
    capture->is_float = strncmp(encoding, "float", 5) == 0;
    bool swapped =
        sf_command(capture->file, SFC_RAW_DATA_NEEDS_ENDSWAP, NULL, 0) != SF_FALSE;
    if (capture->container != CONTAINER_FLAC && !capture->is_float && !swapped)
        capture->raw_bytes = (int)strtol(strchr(encoding, '_') + 1, NULL, 10) / 8;
    capture->format = (struct capture_format){
        .container = container_name(capture->container),
        .encoding = encoding,
        .sample_rate_hz = info->samplerate,
        .channels = info->channels,
        .frames = found.frames,
    };
    return true;
}

bool capture_open(int descriptor, struct capture **ret, struct problem *problem)
{
    enum container container;
    struct header declared;
    struct stat status;
    SF_INFO info;
    bool good = false;
    struct capture *capture = NULL;
    if (fstat(descriptor, &status) != 0 || !S_ISREG(status.st_mode))
        return problem_set(problem, PROBLEM_NOT_AUDIO, NULL,
                           "The recording must be a regular file.");
    if (!container_sniff(descriptor, &container, problem) ||
        !header_read(descriptor, container, &declared, problem))
        return false;
    if (declared.found && !header_check(&declared, problem))
        return false;
    capture = calloc(1, sizeof *capture);
    if (!capture)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to open the recording.");
    capture->container = container;
    capture->input = (struct input){
        .descriptor = descriptor,
        .size_bytes = status.st_size,
        .shows_rf64 = container == CONTAINER_BW64,
    };
    if (!open_file(capture, &info, problem) ||
        !take_format(capture, &declared, &info, problem))
        goto out;
    *ret = capture;
    good = true;
out:
    if (!good)
        capture_close(capture);
    return good;
}

void capture_close(struct capture *capture)
{
    if (!capture)
        return;
    sf_close(capture->file);
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
    capture->verifies = true;
}

enum capture_md5 capture_md5(const struct capture *capture)
{
    return capture->container == CONTAINER_FLAC ? CAPTURE_MD5_UNREAD : CAPTURE_MD5_NONE;
}

const struct capture_gap *capture_gaps(const struct capture *capture, int *ret_count)
{
    *ret_count = capture->gap_count;
    return capture->gaps;
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

/* Reads and drops up to `frame`: exact whatever the format. */
static bool skip_to(struct capture *capture, int64_t frame, struct problem *problem)
{
    double *dropped =
        malloc(sizeof *dropped * SKIP_FRAMES * (size_t)capture->format.channels);
    if (!dropped)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to seek in the recording.");
    bool good = true;
    while (good && capture->position < frame) {
        int64_t left = frame - capture->position, got = 0;
        int64_t wanted = left < SKIP_FRAMES ? left : SKIP_FRAMES;
        good = capture_read(capture, dropped, wanted, &got, problem);
        if (good && got < wanted && capture->position < frame)
            good = beyond_end(capture, frame, capture->position, problem);
    }
    free(dropped);
    return good;
}

bool capture_seek(struct capture *capture, int64_t frame, struct problem *problem)
{
    assert(frame >= 0);
    int64_t frames = capture->format.frames;
    if (frames >= 0 && frame > frames)
        return beyond_end(capture, frame, frames, problem);
    if (frame == capture->position)
        return true;
    if (sf_seek(capture->file, frame, SEEK_SET) == frame) {
        capture->position = frame;
        return true;
    }
    if (capture->input.error)
        return read_failed(capture, problem);
    /* FLAC without a declared length may refuse to seek: begin again and read up to
     * there. */
    SF_INFO info;
    return open_file(capture, &info, problem) && skip_to(capture, frame, problem);
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

static bool damaged(struct capture *capture, int64_t frames, struct problem *problem)
{
    int64_t position = capture->position;
    capture->position = -1;
    return problem_set(
        problem, PROBLEM_NOT_MEASURABLE, NULL,
        "The audio is damaged or cut off at frame %lld or up to %lld later "
        "(%s); send the file anew.",
        (long long)position, (long long)frames, sf_strerror(capture->file));
}

/* Of PCM as it is stored, which kernels_from_pcm converts to what libsndfile gives, to
 * the bit, in a third of the time; else of doubles. Either way a frame's size is known.
 */
static sf_count_t read_block(struct capture *capture, int frames)
{
    if (capture->raw_bytes == 0)
        return sf_readf_double(capture->file, capture->block, frames);
    int frame_bytes = capture->format.channels * capture->raw_bytes;
    return sf_read_raw(capture->file, capture->block, (sf_count_t)frames * frame_bytes) /
           frame_bytes;
}

bool capture_fetch(struct capture *capture, int frames, int *ret_frames,
                   struct problem *problem)
{
    int channels = capture->format.channels;
    assert(frames >= 0 && frames <= CAPTURE_BLOCK_FRAMES && capture->position >= 0);
    if (!capture->block)
        capture->block = malloc(sizeof(double) * CAPTURE_BLOCK_FRAMES * (size_t)channels);
    if (!capture->block)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to read the recording.");
    sf_count_t got = read_block(capture, frames);
    if (capture->input.error)
        return read_failed(capture, problem);
    /* A FLAC frame with a wrong checksum comes as silence beside an error. */
    if (got < 0 || sf_error(capture->file) != SF_ERR_NO_ERROR)
        return damaged(capture, frames, problem);
    if (capture->is_float && !all_finite(capture->block, got * channels))
        return not_finite(capture, capture->block, problem);
    capture->position += got;
    *ret_frames = (int)got;
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
