/** Shows samples made of a formula to the part `traces`, as the reading of a recording
 * would. */
#ifndef TESTS_ANALYSIS_HEALTH_TRACES_FEED_H
#define TESTS_ANALYSIS_HEALTH_TRACES_FEED_H

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/health/traces.h"
#include "analysis/signals/tone.h"
#include "tests/support/support.h"

struct made {
    int rate_hz, channels;
    double duration_s;
    double (*sample)(int64_t n, int channel, void *context);
    void *context;
    double nominal_hz; /* of the `signal`; 0: unknown */
};

/* Blocks of unequal lengths, as a reader may give them. */
static inline void traces_take(const struct made *made, struct health *ret)
{
    enum { BLOCK = CAPTURE_BLOCK_FRAMES };
    int64_t frames = llround(made->duration_s * made->rate_hz);
    struct capture_format format = {"wav", "float_64", made->rate_hz, made->channels,
                                    frames};
    struct settings parameters = {.description = &tone_signal.description};
    struct health_request request = {.cache = fft_cache_new()};
    struct health_subject subject = {NULL, &format, &request};
    struct health_block block = {.channels = made->channels};
    double *samples = malloc(sizeof *samples * BLOCK * (size_t)made->channels);
    if (made->nominal_hz > 0) {
        parameters.values[TONE_FREQUENCY_HZ].given = true;
        parameters.values[TONE_FREQUENCY_HZ].number = made->nominal_hz;
        request.signal = &tone_signal;
        request.parameters = &parameters;
    }
    *ret = (struct health){.channel_count = made->channels, .frames = frames};
    for (int c = 0; c < made->channels; c++) {
        ret->channels[c].tone_hz = ret->channels[c].clock_offset_ppm = NAN;
        block.samples[c] = samples + c * BLOCK;
    }
    struct traces *traces = traces_new(&subject, NULL);
    assert_non_null(traces);
    for (int64_t at = 0; at < frames; at += block.count) {
        int64_t most = at % 3 ? BLOCK : 2048 + at % 1000;
        block.first_frame = at;
        block.count = (int)(frames - at < most ? frames - at : most);
        for (int c = 0; c < made->channels; c++)
            for (int i = 0; i < block.count; i++)
                samples[c * BLOCK + i] = made->sample(at + i, c, made->context);
        assert_true(traces_feed(traces, &block, NULL));
    }
    assert_true(traces_end(traces, ret, NULL));
    traces_free(traces);
    fft_cache_free(request.cache);
    free(samples);
}

/** The only warning of this code, or NULL. */
static inline const char *traces_told(const struct health *health, const char *code)
{
    const char *found = NULL;
    for (int i = 0; i < health->warning_count; i++)
        if (strcmp(health->warnings[i].code, code) == 0) {
            assert_null(found);
            found = health->warnings[i].message;
        }
    return found;
}

#endif
