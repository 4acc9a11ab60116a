/** A recording made of samples in memory, and what the breaks of it are. */
#ifndef TESTS_ANALYSIS_HEALTH_RECORDING_H
#define TESTS_ANALYSIS_HEALTH_RECORDING_H

#include <stdlib.h>
#include <unistd.h>

#include "analysis/health/breaks.h"
#include "tests/analysis/capture/files.h"

/** Interleaved; `format` of libsndfile, 0: float. */
struct recording {
    int rate_hz, channels, format;
    int64_t frames;
    double *samples;
    const struct signal *signal; /* that it is said to be, or NULL */
    const struct settings *parameters;
};

static inline struct recording recording_new(int rate_hz, int channels, int64_t frames)
{
    struct recording recording = {.rate_hz = rate_hz,
                                  .channels = channels,
                                  .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT,
                                  .frames = frames};
    recording.samples = calloc((size_t)(frames * channels), sizeof(double));
    assert_non_null(recording.samples);
    return recording;
}

/** Takes `count` frames out of one channel (from 0; −1: all) at `frame`; the channel gets
 * as many zeros at the end, all of them lose the length. */
static inline void recording_cut(struct recording *recording, int channel, int64_t frame,
                                 int64_t count)
{
    int channels = recording->channels;
    for (int64_t n = frame; n + count < recording->frames; n++)
        for (int c = 0; c < channels; c++)
            if (channel < 0 || c == channel)
                recording->samples[n * channels + c] =
                    recording->samples[(n + count) * channels + c];
    recording->frames -= count;
}

/** Puts the `count` frames before `frame` in once more; the last ones fall off. */
static inline void recording_repeat(struct recording *recording, int64_t frame,
                                    int64_t count)
{
    int64_t channels = recording->channels, first = frame * channels,
            some = count * channels;
    memmove(recording->samples + first + some, recording->samples + first,
            (size_t)((recording->frames - frame - count) * channels) * sizeof(double));
    memmove(recording->samples + first, recording->samples + first - some,
            (size_t)some * sizeof(double));
}

/** Runs the part over it, 2048 frames at a time; frees the samples. */
static inline void recording_breaks(struct recording *recording, struct health *ret)
{
    enum { BLOCK = 2048 };
    static double planes[CAPTURE_MAX_CHANNELS][BLOCK];
    struct problem problem = {0};
    struct capture *capture = NULL;
    int descriptor =
        files_written(recording->format, recording->rate_hz, recording->channels,
                      recording->samples, recording->frames);
    free(recording->samples);
    assert_true(capture_open(descriptor, &capture, &problem));
    struct fft_cache *cache = fft_cache_new();
    assert_non_null(cache);
    struct health_request request = {recording->signal, recording->parameters, cache,
                                     NULL};
    struct health_subject subject = {capture, capture_format(capture), &request};
    struct breaks *breaks = breaks_new(&subject, &problem);
    assert_non_null(breaks);
    struct health_block block = {.channels = recording->channels};
    for (int c = 0; c < block.channels; c++)
        block.samples[c] = planes[c];
    do {
        assert_true(capture_fetch(capture, BLOCK, &block.count, &problem));
        for (int c = 0; c < block.channels; c++)
            capture_channel(capture, c, 0, block.count, planes[c]);
        if (block.count > 0)
            assert_true(breaks_feed(breaks, &block, &problem));
        block.first_frame += block.count;
    } while (block.count == BLOCK);
    memset(ret, 0, sizeof *ret);
    ret->channel_count = recording->channels;
    ret->frames = block.first_frame;
    for (int c = 0; c < block.channels; c++)
        ret->channels[c].clean = (struct health_span){0, ret->frames};
    assert_true(breaks_end(breaks, ret, &problem));
    breaks_free(breaks);
    fft_cache_free(cache);
    capture_close(capture);
    close(descriptor);
}

#endif
