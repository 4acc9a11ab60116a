/**
 * Lines of the mains: 50 or 60 Hz and their multiples, steady, within ±0.2 %.
 *
 * Two at least of the first five must be lines by the false-alarm criterion and by 10 dB,
 * together above −90 dBFS, and no other line of their surroundings may be stronger. What
 * the signal itself explains is no mains: harmonics of the tone, a tone of such a
 * frequency, a multitone, anything periodic whose lines go on as strong beyond 1 kHz.
 * Where mains itself is the strongest, and nobody said what was played, it takes three
 * lines, odd and even ones, below −50 dBFS: a test tone of 50 Hz is not told from less.
 *
 * Needs a resolution of 2 Hz per bin. Thresholds: chosen here, common practice has none.
 */
#ifndef ANALYSIS_HEALTH_TRACES_MAINS_H
#define ANALYSIS_HEALTH_TRACES_MAINS_H

#include <stdbool.h>

#include "analysis/health/traces_view.h"

enum { TRACES_MAINS_LINES = 5 };

struct traces_mains {
    int base_hz;         /* 50 or 60 */
    double frequency_hz; /* as the strongest line tells it */
    double power;        /* mean square of all lines found */
    int lines;
    int strongest;   /* the multiple, from 1 */
    bool below_tone; /* a tone dominates that is none of them */
};

/** How many bins need their scatter for this. */
int traces_mains_scatter_bins(int sample_rate_hz, int length);

/** False: no mains, or not surely. */
bool traces_mains_find(const struct traces_view *view, struct traces_mains *ret)
    __attribute__((warn_unused_result));

/** Whether a frequency is a multiple of 50 or 60 Hz, up to 1 kHz, within ±0.2 %. */
bool traces_mains_is_multiple(double hz);

#endif
