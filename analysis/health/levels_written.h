/**
 * How samples were written: bits in use, PCM against the wrong end of its container,
 * floats scaled as integers.
 *
 * A bit is in use when it is not the same in every sample. Low bits that stay the same
 * are evidence only where the samples take many values: a square wave of two values
 * leaves bits alone by chance, a tone that meets 32 values does not (below 2^-32).
 */
#ifndef ANALYSIS_HEALTH_LEVELS_WRITTEN_H
#define ANALYSIS_HEALTH_LEVELS_WRITTEN_H

#include <stdbool.h>
#include <stdint.h>

enum { LEVELS_WRITTEN_VALUES = 32 };

/** One channel; begin with zeros, but `integers` true. */
struct levels_written {
    bool begun;
    double first;
    uint64_t changes; /* of PCM: bits that differ anywhere */
    bool integers;    /* of floats: no sample has a fraction */
    int value_count;  /* different magnitudes met, up to the most that are kept */
    double values[LEVELS_WRITTEN_VALUES];
};

/** bits: of PCM; 0: floats. */
void levels_written_feed(struct levels_written *written, int bits, const double *samples,
                         int count);

/** Significant bits in use; 0 when all samples are the same; −1 for floats. */
int levels_written_bits(const struct levels_written *written, int bits);

/** Whether the samples take so many values that unused bits mean something. */
bool levels_written_is_varied(const struct levels_written *written);

#endif
