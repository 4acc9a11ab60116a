/** What is known of a recording, as the interface writes it. Each gives a new value, or
 * NULL without memory. */
#ifndef ANALYSIS_WORKER_RECORDING_JSON_H
#define ANALYSIS_WORKER_RECORDING_JSON_H

#include <jansson.h>

#include "analysis/health/health.h"

/** `frames`: those that were read; −1: as the header tells. */
json_t *recording_json_format(const struct capture *capture, int64_t frames);
/** The container's warnings. */
json_t *recording_json_warnings(const struct capture *capture);
/** {"channels":[…],"warnings":[…]}: the container's warnings, then health's. */
json_t *recording_json_health(const struct capture *capture, const struct health *health);
/** The measurements that the recording is fit for: [{"measurement","settings"}…]. That of
 * the signal told (NULL: not told), or of a tone that dominates; of noise where a channel
 * stays below −40 dBFS. */
json_t *recording_json_suggested(const struct health *health,
                                 const struct signal *signal);

#endif
