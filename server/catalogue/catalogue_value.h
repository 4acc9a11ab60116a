/** One value against the description of its setting or parameter. */
#ifndef SERVER_CATALOGUE_CATALOGUE_VALUE_H
#define SERVER_CATALOGUE_CATALOGUE_VALUE_H

#include <stdbool.h>

#include <jansson.h>

#include "server/base/problem.h"

enum { CATALOGUE_VALUE_MAX_CHANNELS = 16 };

/** False with out_of_range: one sentence with what is allowed, the unit and what was
 * given. The setting's shape has been checked (catalogue_shape.h). */
bool catalogue_value_check(const json_t *setting, const json_t *value,
                           struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Copies at most size − 1 bytes, never cutting a UTF-8 character; "…" marks a cut. */
void catalogue_value_cut(const char *text, char *ret, size_t size);

#endif
