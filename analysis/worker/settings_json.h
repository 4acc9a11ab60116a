/**
 * The settings of a measurement, or the parameters of a signal, between JSON and values:
 * both ways by the table of the description, so that a name is written nowhere else.
 */
#ifndef ANALYSIS_WORKER_SETTINGS_JSON_H
#define ANALYSIS_WORKER_SETTINGS_JSON_H

#include <stdbool.h>

#include <jansson.h>

#include "analysis/core/description.h"
#include "analysis/core/problem.h"
#include "analysis/core/settings.h"

/** Reads an object; NULL stands for {}. What is not there, or null, takes its default.
 * The settings borrow the description. Problems: UNKNOWN_FIELD naming it, OUT_OF_RANGE
 * with the limits and the unit (a wrong type too). */
bool settings_json_read(const struct description *description, const json_t *object,
                        struct settings *ret, struct problem *problem)
    __attribute__((warn_unused_result));

/** Gives all settings with defaults filled in, in the table's order; a setting not given
 * is null. NULL: no memory. */
json_t *settings_json_write(const struct settings *settings)
    __attribute__((warn_unused_result));

#endif
