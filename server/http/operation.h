/** What the interface's own description says of one route: an OpenAPI 3.1 operation. */
#ifndef SERVER_HTTP_OPERATION_H
#define SERVER_HTTP_OPERATION_H

#include <stdbool.h>

#include <jansson.h>

#include "server/base/problem.h"
#include "server/catalogue/catalogue.h"
#include "server/http/router.h"

struct operation_context {
    const struct catalogue *catalogue;
    const json_t *schemas; /* those a reply may name */
};

/** The tag of a path: "captures" of "/v1/captures/{id}"; "service" where it is none of
 * the resources. */
const char *operation_tag(const char *path);

/** Gives *ret. UNAVAILABLE naming the route where its table says too little: no summary
 * or replies, a word, schema or code that is not known. */
bool operation_new(const struct route *route, const struct operation_context *context,
                   json_t **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
