/** Lists that come a page at a time, newest first: limit and cursor in, links out. */
#ifndef SERVER_HTTP_PAGES_H
#define SERVER_HTTP_PAGES_H

#include <stdbool.h>

#include <jansson.h>

#include "server/http/request.h"
#include "server/store/store.h"

/** Fills limit and before of *query from the parameters `limit` and `cursor`; the rest
 * becomes "any". OUT_OF_RANGE. */
bool pages_read(const struct request *request, struct store_query *query,
                struct server_problem *problem) __attribute__((warn_unused_result));

/** Gives {"self":…,"next":…}: the request's parameters among `filters` (separated by
 * spaces) are kept; no "next" when `next` is 0. */
json_t *pages_links(const struct request *request, const char *path, const char *filters,
                    int64_t next);

#endif
