/**
 * Which two tones of a channel are the pair, and what kind of pair two tones are.
 */
#ifndef ANALYSIS_MEASUREMENTS_INTERMODULATION_PAIR_H
#define ANALYSIS_MEASUREMENTS_INTERMODULATION_PAIR_H

#include "analysis/measurements/tone_search.h"

/** What the settings ask for. */
struct intermodulation_request {
    double band_hz[2];      /* where the tones are sought, when not told */
    const char *kind;       /* a word of intermodulation_pair_kind; NULL: any */
    bool close;             /* it is a difference-frequency pair */
    bool told;              /* whether the frequencies are */
    double frequency_hz[2]; /* each sought within 1 % */
};

enum intermodulation_pair_fault {
    PAIR_FOUND,
    PAIR_NO_TONE,
    PAIR_ONE_TONE,     /* hz[0] */
    PAIR_HARMONIC,     /* hz[1] is a multiple of hz[0] */
    PAIR_THREE_TONES,  /* hz[2] is the one too many */
    PAIR_NOT_CLOSE,    /* a difference-frequency pair is asked for */
    PAIR_LOWER_ABSENT, /* of those told */
    PAIR_UPPER_ABSENT,
};

struct intermodulation_pair {
    enum intermodulation_pair_fault fault;
    double cycles[2]; /* per sample, the lower first */
    double hz[3];     /* ascending, but for the third: what `fault` speaks of */
};

/**
 * Looks for the pair in the first segment. Told frequencies are sought each within 1 %,
 * or a third of their distance; of two tones more than 43 dB apart the weaker counts as
 * absent. Else the strongest tone within 1 % of the band and the next one are the pair,
 * if that comes within 20 dB, harmonics up to the tenth of one of them being passed over,
 * and no third among the strongest that is none of their products comes within 10 dB of
 * the weaker one. `most`, `low_hz` and `high_hz` of the search are not looked at.
 * Problems: those of tone_search_find.
 */
bool intermodulation_pair_find(struct capture *capture, const struct tone_search *search,
                               const struct intermodulation_request *request,
                               struct fft_cache *cache, struct intermodulation_pair *ret,
                               struct problem *problem)
    __attribute__((warn_unused_result));

/** "smpte", "din", "difference-frequency" or "pair"; lower tone first, its level relative
 * to the upper one's. */
const char *intermodulation_pair_kind(const double hz[2], double level_ratio_db);

/** Whether the figures of modulation are defined: f2 ≥ 8·f1, so that no harmonic of f1 up
 * to the fifth falls on a sideband. */
bool intermodulation_pair_modulates(const double hz[2]);

/** Whether those of difference frequencies are: f2 < 1.5·f1, so that f2−f1 lies below
 * 2f1−f2, and levels within 6 dB. */
bool intermodulation_pair_is_close(const double hz[2], double level_ratio_db);

#endif
