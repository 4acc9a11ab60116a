/** A capture as the interface shows it. */
#ifndef SERVER_HTTP_CAPTURES_H
#define SERVER_HTTP_CAPTURES_H

#include <stdbool.h>

#include <jansson.h>

#include "server/http/request.h"
#include "server/store/store.h"

/** Gives the object, or NULL without memory. In a list what health found of each channel
 * is left out. */
json_t *captures_object(const struct request *request,
                        const struct store_capture *capture, bool listed);

/** Fills *ret (store_capture_free) with the capture called `id`; NOT_FOUND. */
bool captures_find(const struct request *request, const char *id,
                   struct store_capture *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
