/** The shape of a worker's `describe` answer: whoever reads it later need not check
 * again. */
#ifndef SERVER_CATALOGUE_CATALOGUE_SHAPE_H
#define SERVER_CATALOGUE_CATALOGUE_SHAPE_H

#include <stdbool.h>

#include <jansson.h>

#include "server/base/problem.h"

enum { CATALOGUE_SHAPE_MAX_SETTINGS = 64, CATALOGUE_SHAPE_MAX_NAME_BYTES = 48 };

/** True when `described` is as catalogue.h says: every member there and of its type,
 * names fit for a path (a-z, 0-9, - and _) and unique, limits ascending, choices where
 * the type needs them, each default a value that its own setting allows. Members more are
 * let pass. False with SERVER_PROBLEM_UNAVAILABLE, naming the place. */
bool catalogue_shape_check(const json_t *described, struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
