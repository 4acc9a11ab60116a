/** The shape of a worker's answers to `inspect` and `health`: whoever stores and shows
 * them need not check again. */
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

/** The same of an answer to `inspect`: its format, and warnings of the whole recording.
 */
bool health_shape_inspected(const json_t *answer);

#endif
