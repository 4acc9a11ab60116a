#include "analysis/signals/quantise.h"

#include <math.h>

#include "analysis/signals/mixer.h"

struct quantise quantise_begin(int bits, bool dithered)
{
    double full_scale = ldexp(1, bits - 1);
    struct quantise quantise = {
        .lowest = -full_scale, .highest = full_scale - 1, .dithered = dithered};
    for (int i = 0; i < DESCRIPTION_MAX_CHANNELS; i++)
        quantise.noise[i] = mixer_mixed(0x5265736964756D21u + (uint64_t)i);
    return quantise;
}

/* Triangular within ±1: the difference of the two halves of one number, each uniform. */
static double triangular(uint64_t *state)
{
    *state += MIXER_STEP;
    uint64_t number = mixer_mixed(*state);
    return ((double)(number >> 32) - (double)(number & 0xFFFFFFFFu)) * 0x1p-32;
}

static int32_t rounded(const struct quantise *quantise, double value)
{
    double whole = nearbyint(value);
    if (whole > quantise->highest)
        whole = quantise->highest;
    if (whole < quantise->lowest)
        whole = quantise->lowest;
    return (int32_t)whole;
}

void quantise_frame(struct quantise *quantise, double value, int channels, int32_t *frame)
{
    for (int c = 0; c < channels; c++) {
        double noise = quantise->dithered ? triangular(&quantise->noise[c]) : 0;
        frame[c] = rounded(quantise, value + noise);
    }
}
