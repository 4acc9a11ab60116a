/** Recordings from arrays of samples, and what levels and pairs say of them. */
#ifndef TESTS_ANALYSIS_HEALTH_LISTENING_H
#define TESTS_ANALYSIS_HEALTH_LISTENING_H

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sndfile.h>

#include "analysis/health/levels.h"
#include "analysis/health/pairs.h"
#include "tests/support/support.h"
#include "tests/support/synthetic.h"

/** Interleaved samples; bits 16, 24, 32, or 0: 32-bit float, −1: 64-bit float. */
struct heard {
    int sample_rate_hz, channels, bits;
    int64_t frames;
    double *samples;
};

static inline struct heard heard_new(int sample_rate_hz, int channels, int bits,
                                     double duration_s)
{
    struct heard heard = {sample_rate_hz, channels, bits,
                          llround(duration_s * sample_rate_hz), NULL};
    heard.samples = calloc((size_t)(heard.frames * channels), sizeof(double));
    assert_non_null(heard.samples);
    return heard;
}

/** As a converter or renderer rounds: to the nearest, held within the range. */
static inline double heard_rounded(double value, int bits)
{
    if (bits == 0)
        return (double)(float)value;
    if (bits < 0)
        return value;
    double full = ldexp(1, bits - 1);
    return fmin(fmax(nearbyint(value * full), -full), full - 1) / full;
}

static inline double *heard_at(const struct heard *heard, int64_t n, int channel)
{
    return &heard->samples[n * heard->channels + channel];
}

static inline void heard_round(struct heard *heard)
{
    for (int64_t i = 0; i < heard->frames * heard->channels; i++)
        heard->samples[i] = heard_rounded(heard->samples[i], heard->bits);
}

static inline double heard_sample(int64_t n, int channel, void *context)
{
    return *heard_at(context, n, channel);
}

static inline int heard_file(struct heard *heard)
{
    const int subtypes[] = {SF_FORMAT_PCM_16, SF_FORMAT_PCM_24, SF_FORMAT_PCM_32};
    int subtype = heard->bits > 0    ? subtypes[heard->bits / 8 - 2]
                  : heard->bits == 0 ? SF_FORMAT_FLOAT
                                     : SF_FORMAT_DOUBLE;
    const struct synthetic recording = {
        .sample_rate_hz = heard->sample_rate_hz,
        .channels = heard->channels,
        .duration_s = (double)heard->frames / heard->sample_rate_hz,
        .format = SF_FORMAT_WAV | subtype,
        .sample = heard_sample,
        .context = heard,
    };
    return synthetic_recording(&recording);
}

/** Runs both parts over the recording, block by block. Free with free. */
static inline struct health *heard_health_of(struct heard *heard,
                                             struct health_request *request)
{
    enum { BLOCK = 2048 };
    struct problem problem = {0};
    struct capture *capture = NULL;
    struct health *health = calloc(1, sizeof *health);
    double *samples = malloc(sizeof *samples * BLOCK * (size_t)heard->channels);
    assert_true(health && samples);
    heard_round(heard);
    int file = heard_file(heard);
    assert_true(capture_open(file, &capture, &problem));
    request->cache = fft_cache_new();
    const struct health_subject subject = {capture, capture_format(capture), request};
    struct levels *levels = levels_new(&subject, &problem);
    struct pairs *pairs = pairs_new(&subject, &problem);
    assert_true(levels && pairs);
    struct health_block block = {.channels = heard->channels};
    for (int c = 0; c < heard->channels; c++)
        block.samples[c] = samples + c * BLOCK;
    do {
        assert_true(capture_fetch(capture, BLOCK, &block.count, &problem));
        for (int c = 0; c < heard->channels; c++)
            capture_channel(capture, c, 0, block.count, samples + c * BLOCK);
        if (block.count > 0) {
            assert_true(levels_feed(levels, &block, &problem));
            assert_true(pairs_feed(pairs, &block, &problem));
        }
        block.first_frame += block.count;
    } while (block.count == BLOCK);
    health->channel_count = heard->channels;
    health->frames = heard->frames;
    assert_int_equal(block.first_frame, heard->frames);
    if (!levels_end(levels, health, &problem) || !pairs_end(pairs, health, &problem))
        fail_msg("%s", problem.detail);
    levels_free(levels);
    pairs_free(pairs);
    capture_close(capture);
    fft_cache_free(request->cache);
    close(file);
    free(samples);
    return health;
}

static inline struct health *heard_health(struct heard *heard)
{
    struct health_request request = {0};
    return heard_health_of(heard, &request);
}

/** How often a code was given; channel −1: for any. */
static inline int heard_warned(const struct health *health, const char *code, int channel)
{
    int count = 0;
    for (int i = 0; i < health->warning_count; i++)
        count += strcmp(health->warnings[i].code, code) == 0 &&
                 (channel < 0 || health->warnings[i].channel == channel);
    return count;
}

/** Fails, telling `what` and the sentence, when anything was said. */
static inline void heard_silent(const struct health *health, const char *what)
{
    if (health->warning_count > 0)
        fail_msg("%s: %s: %s", what, health->warnings[0].code,
                 health->warnings[0].message);
}

/** Triangular within ±1. */
static inline double heard_tpdf(struct support_random *random)
{
    return support_uniform(random) - support_uniform(random);
}

#endif
