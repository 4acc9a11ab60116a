/**
 * The interface described by itself: an OpenAPI 3.1 document made from the route tables,
 * the vocabulary, the schemas of the resources and what the worker described. Made once;
 * read-only afterwards, thread-safe.
 */
#ifndef SERVER_HTTP_OPENAPI_H
#define SERVER_HTTP_OPENAPI_H

#include <stdbool.h>
#include <stddef.h>

#include "server/base/problem.h"
#include "server/catalogue/catalogue.h"
#include "server/http/router.h"

struct openapi;

/** Gives *ret (openapi_free). UNAVAILABLE without memory, or naming the route whose table
 * says too little. `tables` is ended by NULL. */
bool openapi_new(const struct route *const *tables, const struct catalogue *catalogue,
                 struct openapi **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void openapi_free(struct openapi *openapi);

/** The document as JSON, and its strong entity tag. Borrowed. */
const char *openapi_text(const struct openapi *openapi);
const char *openapi_etag(const struct openapi *openapi);

#endif
