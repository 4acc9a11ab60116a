/* A hostile recording opened, read to its end in blocks, and read again from places that
 * its last bytes choose. */
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>

#include "analysis/capture/capture.h"

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
    int64_t frames = read_on(capture);
    assert(format->frames < 0 || frames <= format->frames || frames >= FRAMES_MAX);
    seek_about(capture, data, size);
    capture_close(capture);
    return 0;
}
