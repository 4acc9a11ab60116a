/** The schemas of recordings and of what their health tells. */
#ifndef SERVER_HTTP_SCHEMAS_CAPTURE_H
#define SERVER_HTTP_SCHEMAS_CAPTURE_H

#include <stdbool.h>

#include <jansson.h>

/** Adds to `schemas`: warning, format, health_channel, capture_health, suggestion,
 * capture, and uploaded, a capture with the analyses ordered with it. False without
 * memory. */
bool schemas_capture_add(json_t *schemas) __attribute__((warn_unused_result));

#endif
