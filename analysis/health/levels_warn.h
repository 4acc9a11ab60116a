/** What levels.c found, in sentences. */
#ifndef ANALYSIS_HEALTH_LEVELS_WARN_H
#define ANALYSIS_HEALTH_LEVELS_WARN_H

#include "analysis/health/levels_parts.h"
#include "analysis/health/parts.h"

/** Of channel c (from 0). */
void levels_warn_mute(struct health *health, int c, const struct levels_mute *mute,
                      const struct capture_format *format);

/** Everything else, from what health holds of levels; channels[health->channel_count].
 * bits: of PCM, 0: floats. */
void levels_warn(struct health *health, const struct levels_channel *channels, int bits,
                 const struct health_subject *subject);

#endif
