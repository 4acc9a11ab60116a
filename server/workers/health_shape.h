/** The shape of a worker's answer to `health`: whoever stores and shows it need not check
 * again. */
#ifndef SERVER_WORKERS_HEALTH_SHAPE_H
#define SERVER_WORKERS_HEALTH_SHAPE_H

#include <stdbool.h>

#include <jansson.h>

enum { HEALTH_SHAPE_MAX_CHANNELS = 16 };

/** True when format, health and suggested of the answer have the members that they are
 * shown with (server/http/schemas_capture.c), of their types, and no others; the channels
 * are 1, 2, … and at most HEALTH_SHAPE_MAX_CHANNELS; codes and names are lower-case
 * words.
 */
bool health_shape_holds(const json_t *answer);

#endif
