/** What was played when a recording was made: {"name":…,"parameters":{…}}, a signal of
 * the catalogue. */
#ifndef SERVER_HTTP_PLAYED_H
#define SERVER_HTTP_PLAYED_H

#include <stdbool.h>

#include <jansson.h>

#include "server/base/problem.h"
#include "server/catalogue/catalogue.h"

/** Gives *ret (free): the same as text, to be stored; or fills it with NULL where
 * `signal` is null, which stands for none. Fails naming what is wrong: UNKNOWN_FIELD,
 * MISSING_FIELD, OUT_OF_RANGE. */
bool played_read(const json_t *signal, const struct catalogue *catalogue, char **ret,
                 struct server_problem *problem) __attribute__((warn_unused_result));
/** The same from the text of a query parameter; NULL stands for none. */
bool played_read_text(const char *text, const struct catalogue *catalogue, char **ret,
                      struct server_problem *problem) __attribute__((warn_unused_result));

#endif
