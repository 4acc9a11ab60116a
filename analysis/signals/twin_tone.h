/**
 * Two steady tones at once, the same in every channel, both beginning at phase 0.
 *
 * Kinds: `smpte` 60 Hz and 7 kHz, 4:1 (SMPTE RP120); `din` 250 Hz and 8 kHz, 4:1;
 * `difference-frequency` 18 and 20 kHz, 1:1 (IEC 60268-3); `pair`: the two frequencies
 * given. A frequency or ratio that is given goes before the kind's.
 * Level: A1 + A2 = 10^(level_dbfs/20) of full scale, the highest that the sum can reach.
 * Frequencies are taken to 1 µHz and phases are exact, as a tone's (tone.h); always with
 * triangular dither (quantise.h).
 */
#ifndef ANALYSIS_SIGNALS_TWIN_TONE_H
#define ANALYSIS_SIGNALS_TWIN_TONE_H

#include "analysis/signals/signal.h"

enum twin_tone_parameter {
    TWIN_TONE_KIND = PARAMETER_COMMON_COUNT,
    TWIN_TONE_FREQUENCY_1_HZ,
    TWIN_TONE_FREQUENCY_2_HZ,
    TWIN_TONE_AMPLITUDE_RATIO,
    TWIN_TONE_LEVEL_DBFS,
    TWIN_TONE_PARAMETER_COUNT,
};

enum twin_tone_kind {
    TWIN_TONE_SMPTE,
    TWIN_TONE_DIN,
    TWIN_TONE_DIFFERENCE_FREQUENCY,
    TWIN_TONE_PAIR,
};

struct twin_tone {
    double frequency_hz[2]; /* the lower one first; NaN: `pair` without it */
    double amplitude[2];    /* of full scale */
};

extern const struct signal twin_tone_signal;

/** What parameters ask for, also where they clash. */
struct twin_tone twin_tone_of(const struct settings *parameters);

#endif
