/** The analyses that are ordered with an upload: `measure=NAME`, once for each. */
#ifndef SERVER_HTTP_ORDERED_H
#define SERVER_HTTP_ORDERED_H

#include <stdbool.h>

#include <jansson.h>

#include "server/http/request.h"
#include "server/queue/queue.h"

/** Before the body is read: known, each given once, and room for them in the queue. */
bool ordered_check(const struct request *request, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Fills `analyses` with them, of this capture; how many. Their texts are borrowed from
 * the request and the capture. */
int ordered_make(const struct request *request, const struct store_capture *capture,
                 struct store_analysis analyses[QUEUE_ORDERS_MAX]);

/** Adds to what is told of the capture those that were ordered with it, as they are now,
 * where the request orders any; they may have been ordered by an earlier request with its
 * key. */
bool ordered_tell(const struct request *request, const struct store_capture *capture,
                  json_t *object, struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
