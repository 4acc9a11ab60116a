/**
 * One channel at a time: peak, mean square and dc; silence, mutes, flat tops, peaks
 * beyond full scale and between samples, bits in use.
 * Flat tops are sought twice: equal extremes while reading (levels_flat), and, of a tone
 * where these tell nothing, in a stretch that is read again (levels_tops).
 *
 * Fills peak, mean_square, dc, bits_in_use, silent, clipped, clipped_samples,
 * clipping_level, over_full_scale and intersample_peak. Warns: channel_silent,
 * mute_suspected, clipping, over_full_scale, low_bits_unused, suspect_right_justified,
 * suspect_int_scaled_float.
 *
 * Thresholds that are ours: over_full_scale from 1.001 on (noise on a tone at full scale
 * reaches less), between samples from +0.2 dBFS and for steady tones only.
 * low_bits_unused below 24 bits only: no converter fills more, and 24 bits in a container
 * of 32 are how most are recorded. suspect_right_justified at −48.2 … −58 dBFS with the
 * lowest bit of 32 in use, where the recording would be 0 … −10 dBFS as 24 bits: a 32-bit
 * tone rendered at such a level has the very same samples, and only the signal told with
 * the upload tells them apart.
 */
#ifndef ANALYSIS_HEALTH_LEVELS_H
#define ANALYSIS_HEALTH_LEVELS_H

#include "analysis/health/parts.h"

struct levels *levels_new(const struct health_subject *subject, struct problem *problem)
    __attribute__((warn_unused_result));
bool levels_feed(struct levels *levels, const struct health_block *block,
                 struct problem *problem) __attribute__((warn_unused_result));
bool levels_end(struct levels *levels, struct health *health, struct problem *problem)
    __attribute__((warn_unused_result));
void levels_free(struct levels *levels);

#endif
