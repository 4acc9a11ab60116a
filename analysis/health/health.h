/**
 * Can this recording be trusted? One reading of all of it tells levels, clipping, breaks,
 * silence, what the channels have to do with each other, how samples were written, and
 * traces of resampling, mains and clocks.
 *
 * Memory does not grow with the length; a break is looked at again where it is. Numbers
 * are at full scale ±1.0. What cannot be told is NaN, or −1 for counts of frames and
 * bits.
 */
#ifndef ANALYSIS_HEALTH_HEALTH_H
#define ANALYSIS_HEALTH_HEALTH_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/capture/capture.h"
#include "analysis/core/problem.h"
#include "analysis/core/progress.h"
#include "analysis/core/settings.h"
#include "analysis/dsp/fft.h"
#include "analysis/signals/signal.h"

enum {
    HEALTH_MAX_DROPOUTS = 64, /* listed for a channel; all are counted */
    HEALTH_MAX_WARNINGS = 128,
};

enum health_break {
    HEALTH_MISSING,  /* frames are gone: the phase steps forward */
    HEALTH_REPEATED, /* frames came twice, or were put in: it steps back */
    HEALTH_ZEROED,   /* a stretch of zeros (or of one value) in place of the signal */
};

struct health_dropout {
    int64_t frame;         /* the first frame that does not belong to what was before */
    int64_t length_frames; /* missing, repeated or zeroed; −1: not knowable */
    double phase_step_deg; /* −180…180; positive: frames are missing; NaN: no tone */
    enum health_break kind;
};

struct health_span {
    int64_t first_frame, frames;
};

struct health_channel {
    double peak, mean_square, dc; /* peak: largest magnitude */
    int bits_in_use; /* of PCM: significant bits that ever change; −1: floats */
    bool silent;     /* every sample is the same */
    bool clipped;
    int64_t clipped_samples; /* in flat tops */
    double clipping_level;   /* magnitude of the flat tops; NaN: none */
    int64_t over_full_scale; /* samples beyond ±1.0 (floats) */
    double intersample_peak; /* of the band-limited waveform where samples come near full
                                scale; NaN: nowhere near */
    int64_t dropout_count;
    struct health_dropout dropouts[HEALTH_MAX_DROPOUTS]; /* the first ones */
    struct health_span clean; /* longest stretch without a break; frames 0: none */
    double delay_frames;      /* later than channel 1; of a single tone the smallest that
                                 its phase allows; NaN: not determinable */
    double tone_hz;           /* the one tone that dominates; NaN: none does */
    double clock_offset_ppm;  /* of it re the nominal of `signal`; NaN: no nominal */
};

struct health_warning {
    const char *code; /* a string literal, one of the interface's */
    int channel;      /* from 1; 0: the recording */
    char message[400];
};

struct health {
    int channel_count;
    int64_t frames; /* that were there */
    struct health_channel channels[CAPTURE_MAX_CHANNELS];
    int warning_count;
    struct health_warning warnings[HEALTH_MAX_WARNINGS];
};

/** What the tester says was played; all borrowed. */
struct health_request {
    const struct signal *signal;       /* NULL: unknown */
    const struct settings *parameters; /* of the signal */
    struct fft_cache *cache;
    const struct progress *progress;
};

/** Reads the whole recording. *ret is large: not for the stack. Problems: NOT_FINITE with
 * channel and frame, NO_AUDIO, NOT_MEASURABLE (nothing can be decoded), OUT_OF_MEMORY,
 * IO.
 */
bool health_take(struct capture *capture, const struct health_request *request,
                 struct health *ret, struct problem *problem)
    __attribute__((warn_unused_result));

/** Adds a warning; more than fit are dropped. */
void health_warn(struct health *health, const char *code, int channel, const char *format,
                 ...) __attribute__((format(printf, 4, 5)));

#endif
