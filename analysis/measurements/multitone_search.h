/**
 * Which tones a channel holds, and where: those of the signal told, on the recorder's
 * clock, or a set found in the spectrum.
 *
 * Told: the clocks' ratio (within 1000 ppm) is the one on which most tones stand where
 * the signal has them, to 0.3 bins; a recording in which fewer than half of them do, and
 * above their surroundings, holds another signal. Not told: tones are the strongest lines
 * down to the widest step in level, which must begin within 20 dB of the strongest and be
 * of 10 dB at least, so that droop is no fault and products are no tones; each must stand
 * above its surroundings. Common practice, no source.
 */
#ifndef ANALYSIS_MEASUREMENTS_MULTITONE_SEARCH_H
#define ANALYSIS_MEASUREMENTS_MULTITONE_SEARCH_H

#include "analysis/capture/capture.h"
#include "analysis/dsp/bins.h"
#include "analysis/dsp/fft.h"
#include "analysis/measurements/steady.h"
#include "analysis/signals/multitone.h"

/** What the settings and the signal told ask for. */
struct multitone_request {
    double band_hz[2];
    int told_count;                      /* tones told; 0: none, the spectrum must tell */
    double told_hz[MULTITONE_MAX_TONES]; /* ascending */
};

/** A tone in one channel. */
struct multitone_place {
    double cycles;     /* frequency, cycles per sample */
    double nominal_hz; /* as it was played; 0: not told */
};

/** The tones of a channel, ascending. */
struct multitone_set {
    int count; /* 0: there is no such set */
    struct multitone_place places[MULTITONE_MAX_TONES];
    int tracked;   /* the tone that tells the clock best: strong, high and by itself */
    int displaced; /* the tone farthest from where the signal told has it, */
    double displaced_bins; /* and how far; 0: none is displaced */
    int length;            /* of the segments that these bins are of */
    /* Of a channel without a set: */
    int found;     /* tones told that stand, or lines clear of the rest */
    double gap_db; /* the widest step in level below them */
};

struct multitone_search {
    int channel; /* from 0 */
    struct steady_span span;
    int sample_rate_hz;
    int length; /* of a segment; the span is at least as long */
};

/** Whether a tone is one of the band: its main lobe reaches into it, or it lies within 1
 * % of it (tones are placed near the band's ends, not on them). */
bool multitone_search_in_band(double hz, const double band_hz[2], double bin_hz);

/** The lobes of a set in a spectrum of `length` samples, frequencies times anything from
 * `low` to `high`. Fills merged[MULTITONE_MAX_TONES], ascending and disjoint; returns how
 * many. */
int multitone_search_lobes(const struct multitone_set *set, int length, double low,
                           double high, struct bins *merged);

/** Looks at the first segments of the span. OUT_OF_MEMORY, IO. */
bool multitone_search_find(struct capture *capture, const struct multitone_search *search,
                           const struct multitone_request *request,
                           struct fft_cache *cache, struct multitone_set *ret,
                           struct problem *problem) __attribute__((warn_unused_result));

#endif
