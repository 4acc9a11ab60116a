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

/* Reads at most FRAMES_MAX frames; gives how many there were, or −1 after a problem. */
static int64_t read_on(struct capture *capture)
{
    static double samples[CAPTURE_BLOCK_FRAMES];
    const struct capture_format *format = capture_format(capture);
    struct problem problem = {0};
    int64_t frames = 0;
    int got = CAPTURE_BLOCK_FRAMES;
    while (got == CAPTURE_BLOCK_FRAMES && frames < FRAMES_MAX) {
        if (!capture_fetch(capture, CAPTURE_BLOCK_FRAMES, &got, &problem)) {
            assert(problem.kind != PROBLEM_NONE && problem.detail[0] != '\0');
            return -1;
        }
        assert(got >= 0 && got <= CAPTURE_BLOCK_FRAMES);
        for (int channel = 0; channel < format->channels; channel++) {
            capture_channel(capture, channel, 0, got, samples);
            for (int i = 0; i < got; i++)
                assert(isfinite(samples[i]));
        }
        frames += got;
    }
    return frames;
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

/* What is known once all of the recording was read; `frames` −1: it could not be. */
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
    assert(frames < 0 || frames >= FRAMES_MAX || end <= frames);
}

static void seek_about(struct capture *capture, const uint8_t *data, size_t size)
{
    int64_t known = capture_format(capture)->frames;
    int64_t end = known < 0 || known > FRAMES_MAX ? FRAMES_MAX : known;
    for (size_t i = 1; i <= SEEKS && i <= size; i++) {
        struct problem problem = {0};
        if (capture_seek(capture, end * data[size - i] / 255, &problem))
            (void)read_on(capture);
        else
            assert(problem.kind != PROBLEM_NONE);
    }
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned seed)
{
    return flac_sums_mutate(data, size, max_size, seed);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int file = -1;
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
    int64_t frames = read_on(capture);
    check_what_was_read(capture, frames);
    assert(format->frames < 0 || frames <= format->frames || frames >= FRAMES_MAX);
    seek_about(capture, data, size);
    capture_close(capture);
    return 0;
}
