/**
 * The test signals a tester plays: rendered as integer samples, the same each time. One
 * file a family; signal.c is the one list.
 */
#ifndef ANALYSIS_SIGNALS_SIGNAL_H
#define ANALYSIS_SIGNALS_SIGNAL_H

#include <stdint.h>

#include "analysis/core/description.h"
#include "analysis/core/problem.h"
#include "analysis/core/settings.h"

/** Every signal's parameter table begins with these, in this order. */
enum common_parameter {
    PARAMETER_SAMPLE_RATE_HZ,
    PARAMETER_BITS,
    PARAMETER_CHANNELS,
    PARAMETER_DURATION_S,
    PARAMETER_COMMON_COUNT,
};

struct signal_form {
    int sample_rate_hz, bits, channels;
    int64_t frames;
};

enum { SIGNAL_TONES = 2 };

struct signal_stream; /* the state of one rendering */

struct signal {
    struct description description; /* settings are the parameters */
    const char *measured_by;        /* the measurement it is made for; NULL: none */
    /** Fills hz with the one or two tones of which one may dominate a recording of it,
     * and gives their number. NULL: none does. */
    int (*tones)(const struct settings *parameters, double hz[SIGNAL_TONES]);
    /** Begins a rendering with checked parameters. OUT_OF_RANGE where parameters clash (a
     * tone at or above half the sample rate), OUT_OF_MEMORY. */
    bool (*begin)(const struct settings *parameters, struct signal_stream **ret,
                  struct problem *problem);
    /** The next `frames` frames, interleaved, each sample within ±2^(bits−1). */
    void (*next)(struct signal_stream *stream, int32_t *interleaved, int64_t frames);
    /** Leaves `frames` frames out, as if they had been rendered, at no cost; NULL:
     * cannot. Breaks in noise are found only where the signal can. */
    void (*pass_over)(struct signal_stream *stream, int64_t frames);
    void (*end)(struct signal_stream *stream); /* frees; NULL is fine */
};

/** What the common parameters ask for. */
struct signal_form signal_form(const struct settings *parameters);

int signal_count(void);
const struct signal *signal_get(int index);
const struct signal *signal_find(const char *name);

#endif
