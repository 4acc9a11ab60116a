/** Replies made of what a worker described: measurements and signals have the same shape.
 */
#ifndef SERVER_HTTP_DESCRIBED_H
#define SERVER_HTTP_DESCRIBED_H

#include <stddef.h>

#include <jansson.h>

#include "server/http/request.h"

/** {KIND:[items with links],"links":{"self":"/v1/KIND"}} */
void described_reply_list(struct request *request, const json_t *items, const char *kind);

/** The item with links, or NOT_FOUND naming those there are when it is NULL. */
void described_reply_item(struct request *request, const json_t *item,
                          const json_t *items, const char *kind);

/** Lends the measurement or signal of that name; OUT_OF_RANGE with the field and the
 * names that there are. */
bool described_find_measurement(const struct catalogue *catalogue, const char *name,
                                const char *field, const json_t **ret,
                                struct server_problem *problem)
    __attribute__((warn_unused_result));
bool described_find_signal(const struct catalogue *catalogue, const char *name,
                           const char *field, const json_t **ret,
                           struct server_problem *problem)
    __attribute__((warn_unused_result));

/** "distortion, noise" of an array of objects with a name; cut short with "…". */
void described_names(const json_t *items, char *text, size_t size);

#endif
