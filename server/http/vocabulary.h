/**
 * The words of requests: query parameters and members of JSON bodies (a word means the
 * same in both), header fields, and the parts of paths. Each has one meaning and one
 * schema, whichever route takes it.
 */
#ifndef SERVER_HTTP_VOCABULARY_H
#define SERVER_HTTP_VOCABULARY_H

#include <stdbool.h>

#include <jansson.h>

#include "server/catalogue/catalogue.h"

enum vocabulary_kind {
    VOCABULARY_FIELD,  /* of a query or a JSON body */
    VOCABULARY_HEADER, /* of a request */
    VOCABULARY_PART,   /* of a path, called by the part before it: "captures" */
};

/** Gives the schema of a word with its meaning as `description`, or NULL: not known (or
 * no memory). */
json_t *vocabulary_schema(enum vocabulary_kind kind, const char *word,
                          const struct catalogue *catalogue);

#endif
