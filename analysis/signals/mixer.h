/**
 * Numbers that look random, the same on every machine: SplitMix64 (Steele, Lea, Flood
 * 2014; constants from memory), a counter in steps of MIXER_STEP through a mixer.
 */
#ifndef ANALYSIS_SIGNALS_MIXER_H
#define ANALYSIS_SIGNALS_MIXER_H

#include <stdint.h>

#define MIXER_STEP 0x9E3779B97F4A7C15u

static inline uint64_t mixer_mixed(uint64_t counter)
{
    counter = (counter ^ counter >> 30) * 0xBF58476D1CE4E5B9u;
    counter = (counter ^ counter >> 27) * 0x94D049BB133111EBu;
    return counter ^ counter >> 31;
}

#endif
