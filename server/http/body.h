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

/** Refuses members not among `fields` (names separated by spaces): UNKNOWN_FIELD; and the
 * lack of one whose name ends in '!' there: MISSING_FIELD. */
bool body_check_fields(const json_t *object, const char *fields,
                       struct server_problem *problem)
    __attribute__((warn_unused_result));

/** A member that is there and must be text, borrowed; NULL with OUT_OF_RANGE. */
const char *body_text(const json_t *object, const char *field,
                      struct server_problem *problem);

#endif
