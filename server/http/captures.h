/** A capture as the interface shows it. */
#ifndef SERVER_HTTP_CAPTURES_H
#define SERVER_HTTP_CAPTURES_H

#include <jansson.h>

#include "server/store/store.h"

/** Gives the object, or NULL without memory. */
json_t *captures_object(const struct store_capture *capture);

#endif
