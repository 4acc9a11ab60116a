#include "analysis/health/levels_written.h"

#include <math.h>

#include "analysis/dsp/scan.h"

enum { LOOKED_AT = 256 }; /* samples of a piece, for different values */

static void meet_values(struct levels_written *written, const double *samples, int count)
{
    for (int n = 0; n < count && n < LOOKED_AT; n++) {
        double value = fabs(samples[n]);
        int i = 0;
        while (i < written->value_count && written->values[i] != value)
            i++;
        if (i == written->value_count && i < LEVELS_WRITTEN_VALUES)
            written->values[written->value_count++] = value;
        if (written->value_count == LEVELS_WRITTEN_VALUES)
            return;
    }
}

void levels_written_feed(struct levels_written *written, int bits, const double *samples,
                         int count)
{
    if (!written->begun)
        written->first = samples[0];
    written->begun = true;
    if (bits > 0 && !(written->changes & 1))
        written->changes |=
            scan_changes(samples, count, ldexp(1, bits - 1), written->first);
    if (bits == 0 && written->integers)
        written->integers = scan_integers(samples, count);
    if (!levels_written_is_varied(written))
        meet_values(written, samples, count);
}

int levels_written_bits(const struct levels_written *written, int bits)
{
    if (bits == 0)
        return -1;
    return written->changes ? bits - __builtin_ctzll(written->changes) : 0;
}

bool levels_written_is_varied(const struct levels_written *written)
{
    return written->value_count == LEVELS_WRITTEN_VALUES;
}
