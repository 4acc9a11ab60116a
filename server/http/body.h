/** A JSON body: gathered up to LIMIT_JSON_BODY_BYTES, then parsed strictly. */
#ifndef SERVER_HTTP_BODY_H
#define SERVER_HTTP_BODY_H

#include <stdbool.h>
#include <stddef.h>

#include <jansson.h>

#include "server/base/problem.h"

struct body {
    char *bytes;
    size_t count;
};

/** Appends a piece; TOO_LARGE beyond the limit. */
bool body_append(struct body *body, const char *piece, size_t count,
                 struct server_problem *problem) __attribute__((warn_unused_result));
void body_free(struct body *body);

/** Gives one JSON object without duplicate names, at most LIMIT_JSON_DEPTH deep; else
 *  BAD_JSON with the place. */
bool body_parse(const struct body *body, json_t **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Refuses members not among `known` (separated by spaces): UNKNOWN_FIELD. */
bool body_check_known(const json_t *object, const char *known,
                      struct server_problem *problem) __attribute__((warn_unused_result));

/** A member that must be there and be text, borrowed; NULL with MISSING_FIELD or
 *  OUT_OF_RANGE. */
const char *body_text(const json_t *object, const char *field,
                      struct server_problem *problem);

#endif
