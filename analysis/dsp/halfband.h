/**
 * Halves or doubles a sample rate, block by block.
 *
 * Linear-phase half-band filters (Kaiser window, 70 dB). Halving keeps up to 0.18 of the
 * rate that comes in within 0.01 dB; what lies up to there below that rate's half comes
 * out mirrored, 70 dB down. Doubling keeps up to 0.45 of it, and leaves images from 0.55
 * on 70 dB down. Between these limits the filters pass gradually.
 * Memory: a block and the filter's own length. Thread-safe between objects.
 */
#ifndef ANALYSIS_DSP_HALFBAND_H
#define ANALYSIS_DSP_HALFBAND_H

enum { HALFBAND_BLOCK = 1024, HALFBAND_MAX_TAPS = 24 };

/** Σ taps[k]·(x[m − k − 1] + x[m + k]) is what lies half a sample before x[m]. */
struct halfband {
    int taps;
    double tap[HALFBAND_MAX_TAPS];
    double even[HALFBAND_BLOCK + 2 * HALFBAND_MAX_TAPS]; /* what came before, the block */
    double odd[HALFBAND_BLOCK + 2 * HALFBAND_MAX_TAPS];
};

struct halfband halfband_halving(void);
struct halfband halfband_doubling(void);

/** Fills ret[count/2] from samples[count], count even and at most 2·HALFBAND_BLOCK;
 * delayed. */
void halfband_halve(struct halfband *halfband, const double *samples, int count,
                    double *ret);
/** Fills ret[2·count] from samples[count], count at most HALFBAND_BLOCK; delayed. */
void halfband_double(struct halfband *halfband, const double *samples, int count,
                     double *ret);

#endif
