/* A hostile recording opened, read to its end in blocks and checked on the way, and read
 * again from places that its last bytes choose. */
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#include <jansson.h>

#include "analysis/capture/capture.h"
#include "tests/fuzz/support/flac_sums.h"

enum {
    FRAMES_MAX =
        1 << 18, /* compressed silence costs nothing to send; a job has a deadline
                  */
    SEEKS = 4,
};

/* The first pass over a recording. */
struct heard {
    int64_t frames; /* −1: it could not be read to its end, or to FRAMES_MAX */
    float first_channel[FRAMES_MAX];
};

/* Two frames of a spoilt FLAC file can say that they are the same; which one is heard
 * depends on where libFLAC comes from. */
static bool is_sound(const struct capture *capture)
{
    enum capture_md5 md5 = capture_md5(capture);
    return md5 == CAPTURE_MD5_NONE || md5 == CAPTURE_MD5_VERIFIED;
}

/* Reads on from frame `from`, to the end or FRAMES_MAX. What was heard before must come
 * again, and as much of it. `heard` is filled from frame 0. Returns false after a
 * problem. */
static bool read_on(struct capture *capture, int64_t from, bool again,
                    struct heard *heard)
{
    static double samples[CAPTURE_BLOCK_FRAMES];
    const struct capture_format *format = capture_format(capture);
    struct problem problem = {0};
    int got = CAPTURE_BLOCK_FRAMES;
    while (got == CAPTURE_BLOCK_FRAMES && from + got <= FRAMES_MAX) {
        if (!capture_fetch(capture, CAPTURE_BLOCK_FRAMES, &got, &problem)) {
            assert(problem.kind != PROBLEM_NONE && problem.detail[0] != '\0');
            return false;
        }
        assert(got >= 0 && got <= CAPTURE_BLOCK_FRAMES);
        for (int channel = format->channels - 1; channel >= 0; channel--) {
            capture_channel(capture, channel, 0, got, samples);
            for (int i = 0; i < got; i++)
                assert(isfinite(samples[i]));
        }
        for (int i = 0; i < got; i++)
            if (again)
                assert(heard->first_channel[from + i] == (float)samples[i] ||
                       !is_sound(capture));
            else
                heard->first_channel[from + i] = (float)samples[i];
        from += got;
    }
    if (again)
        assert(from == heard->frames || from + CAPTURE_BLOCK_FRAMES > FRAMES_MAX);
    else
        heard->frames = from;
    return true;
}

/* A code of the interface and a sentence that JSON can hold. */
static void check_warning(const struct capture_warning *warning)
{
    static const char *const codes[] = {
        "truncated",      "length_from_file", "size_wrapped", "riff_pad_missing",
        "trailing_bytes", "lost_sync",        "md5_mismatch"};
    size_t i = 0;
    while (i < sizeof codes / sizeof codes[0] && strcmp(codes[i], warning->code) != 0)
        i++;
    assert(i < sizeof codes / sizeof codes[0]);
    json_t *text = json_string(warning->message);
    assert(text && json_string_length(text) > 0);
    json_decref(text);
}

/* What is known once all of the recording was read. */
static void check_what_was_read(const struct capture *capture, int64_t frames)
{
    int warnings, gaps;
    const struct capture_warning *warning = capture_warnings(capture, &warnings);
    const struct capture_gap *gap = capture_gaps(capture, &gaps);
    bool is_flac = strcmp(capture_format(capture)->container, "flac") == 0;
    assert((capture_md5(capture) == CAPTURE_MD5_NONE) == !is_flac);
    assert(gaps == 0 || is_flac);
    for (int i = 0; i < warnings; i++)
        check_warning(&warning[i]);
    int64_t end = 0;
    for (int i = 0; i < gaps; i++) {
        assert(gap[i].first_frame >= end && gap[i].frames > 0);
        end = gap[i].first_frame + gap[i].frames;
    }
    assert(frames < 0 || frames + CAPTURE_BLOCK_FRAMES > FRAMES_MAX || end <= frames);
}

static void seek_about(struct capture *capture, const uint8_t *data, size_t size,
                       struct heard *heard)
{
    for (size_t i = 1; i <= SEEKS && i <= size; i++) {
        struct problem problem = {0};
        int64_t frame = heard->frames * data[size - i] / 255;
        assert(capture_seek(capture, frame, &problem));
        assert(read_on(capture, frame, true, heard));
    }
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned seed)
{
    return flac_sums_mutate(data, size, max_size, seed);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int file = -1;
    static struct heard heard;
    file = fuzz_file(file, data, size);
    struct problem problem = {0};
    struct capture *capture;
    if (!capture_open(file, &capture, &problem)) {
        assert(problem.kind != PROBLEM_NONE && problem.detail[0] != '\0');
        return 0;
    }
    const struct capture_format *format = capture_format(capture);
    assert(format->channels >= 1 && format->channels <= CAPTURE_MAX_CHANNELS);
    assert(format->sample_rate_hz >= CAPTURE_MIN_SAMPLE_RATE_HZ &&
           format->sample_rate_hz <= CAPTURE_MAX_SAMPLE_RATE_HZ);
    assert(format->frames == -1 || format->frames > 0);
    capture_verify(capture);
    if (!read_on(capture, 0, false, &heard))
        heard.frames = -1;
    assert(format->frames < 0 || heard.frames <= format->frames);
    check_what_was_read(capture, heard.frames);
    if (heard.frames >= 0)
        seek_about(capture, data, size, &heard);
    capture_close(capture);
    return 0;
}
