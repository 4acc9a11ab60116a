/**
 * The sum of many sines of one amplitude, each with a whole number of cycles in one
 * common period: at any frame, in blocks, by sums and products of tabled sines alone, the
 * same bits on every machine.
 *
 * Angles are counted in 2^-40 turns, so that each is exact. A block is one sine and
 * cosine of each tone's angle at its start, turned by a table. Error ≤ 2^-50 a tone.
 * Memory: 4 kB a tone.
 */
#ifndef ANALYSIS_SIGNALS_TONE_BANK_H
#define ANALYSIS_SIGNALS_TONE_BANK_H

#include <stdint.h>

enum { TONE_BANK_MAX_TONES = 100, TONE_BANK_BLOCK = 256 };

/** One turn. */
#define TONE_BANK_TURN ((uint64_t)1 << 40)

struct tone_bank {
    int count;
    uint64_t step[TONE_BANK_MAX_TONES];  /* a frame, in 2^-40 turns */
    uint64_t phase[TONE_BANK_MAX_TONES]; /* at frame 0 */
    double sine[TONE_BANK_MAX_TONES][TONE_BANK_BLOCK];
    double cosine[TONE_BANK_MAX_TONES][TONE_BANK_BLOCK];
};

/** Fills *ret with `count` tones of cycles[] in `period` frames, a power of two up to
 * 2^40; phases in 2^-40 turns. */
void tone_bank_fill(const int64_t *cycles, const uint64_t *phases, int count,
                    int64_t period, struct tone_bank *ret);

/** Fills ret[TONE_BANK_BLOCK] with the sum of sines of amplitude 1 from `frame` on. */
void tone_bank_block(const struct tone_bank *bank, int64_t frame, double *ret);

/** The largest magnitude that the sum reaches, also between frames, to 1e-6 of it. Finds
 * it where the period holds at least 8 frames for each cycle of the highest tone. */
double tone_bank_peak(const struct tone_bank *bank, int64_t period);

#endif
