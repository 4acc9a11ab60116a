/** The `responses` of an operation: what a route answers, and its problems by status. */
#ifndef SERVER_HTTP_OPERATION_REPLIES_H
#define SERVER_HTTP_OPERATION_REPLIES_H

#include <stdbool.h>

#include <jansson.h>

#include "server/base/problem.h"
#include "server/http/operation.h"

/** Fills `responses`. UNAVAILABLE naming the route and what is not known in its table. */
bool operation_replies_add(const struct route *route,
                           const struct operation_context *context, json_t *responses,
                           struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
