/** An analysis as the interface shows it. */
#ifndef SERVER_HTTP_ANALYSES_H
#define SERVER_HTTP_ANALYSES_H

#include <stdbool.h>

#include <jansson.h>

#include "server/http/request.h"
#include "server/queue/queue.h"

/** Gives the object, or NULL without memory. */
json_t *analyses_object(const struct queue_view *view);

/** Fills *ret (queue_view_free) with the analysis called `id`; NOT_FOUND. */
bool analyses_find(const struct request *request, const char *id, struct queue_view *ret,
                   struct server_problem *problem) __attribute__((warn_unused_result));

/** Answers with the analysis request->analysis: its state now, or, where the client
 * prefers to wait, once it has ended (the request is suspended and this called again).
 * True when the analysis has ended. */
enum analyses_answer {
    ANALYSES_STATE,
    ANALYSES_ADDED,     /* 202 and its Location; 200 once it has ended, if waited for */
    ANALYSES_CANCELLED, /* its end is near, and waited for */
};
bool analyses_answer(struct request *request, enum analyses_answer kind);

/** True in a final state. */
bool analyses_ended(const struct queue_view *view);

#endif
