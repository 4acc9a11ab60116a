/**
 * Many steady tones of one amplitude at once, the same in every channel.
 *
 * Frequencies: odd multiples of sample rate/L, L the smallest power of two with rate/L at
 * most 0.4 Hz (0.37 Hz at 48 kHz and its multiples): products of even order fall on even
 * multiples, between the tones. Each is the odd line nearest to its place in a geometric
 * series from `lowest_hz` to `highest_hz`, but at least 14 lines above the one before, so
 * that the main lobes of a 7-term window over L frames do not meet. By default 31 tones a
 * third of an octave apart, near the centres of ISO 266.
 * Phases: from a fixed generator (mixer.h), whose seed is the best of 1 … 4000 for the
 * crest factor of the default tones: 11.5 dB. Others get the same phases, which are as
 * good as any random ones: about 12 … 13.5 dB. Level: the highest peak of the sum in its
 * period, also between samples, is 10^(level_dbfs/20) of full scale. The same bytes on
 * every machine, whatever the block size; always with triangular dither (quantise.h).
 */
#ifndef ANALYSIS_SIGNALS_MULTITONE_H
#define ANALYSIS_SIGNALS_MULTITONE_H

#include <stdint.h>

#include "analysis/signals/signal.h"
#include "analysis/signals/tone_bank.h"

enum multitone_parameter {
    MULTITONE_COUNT = PARAMETER_COMMON_COUNT,
    MULTITONE_LOWEST_HZ,
    MULTITONE_HIGHEST_HZ,
    MULTITONE_LEVEL_DBFS,
    MULTITONE_PARAMETER_COUNT,
};

enum { MULTITONE_MAX_TONES = TONE_BANK_MAX_TONES };

/** Frequency: cycles/period_frames of the file's sample rate. phase: of the sine at frame
 * 0, in radians. */
struct multitone_tone {
    int64_t cycles, period_frames;
    double phase;
};

extern const struct signal multitone_signal;

/** Fills `tones`, ascending, and gives their number; 0 and *problem where the parameters
 * clash, as begin does. */
int multitone_tones(const struct settings *parameters,
                    struct multitone_tone tones[MULTITONE_MAX_TONES],
                    struct problem *problem);

/** Amplitude of each tone, of full scale: from the peak of the sum, which takes some 10
 * ms to find. The parameters do not clash. */
double multitone_amplitude(const struct settings *parameters);

#endif
