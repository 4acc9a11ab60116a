/** The schemas that follow from what the worker described: of settings and parameters,
 * results and curves. */
#ifndef SERVER_HTTP_SCHEMAS_MEASURED_H
#define SERVER_HTTP_SCHEMAS_MEASURED_H

#include <stdbool.h>

#include <jansson.h>

#include "server/catalogue/catalogue.h"

/** Adds to `schemas`: measurement_name, signal_name, settings_NAME and result_NAME of
 * every measurement, settings_given (of any of them), played (a signal with parameters),
 * result (of any), series, and the parts they are made of; ties the settings of
 * `analysis`, which must be there, to its measurement. False without memory. */
bool schemas_measured_add(json_t *schemas, const struct catalogue *catalogue)
    __attribute__((warn_unused_result));

/** What a setting or a parameter may be, with its meaning and default. */
json_t *schemas_measured_setting(const json_t *setting);

/** One of the names of the items, as an enum. */
json_t *schemas_measured_names(const json_t *items);

/** For an object with the members `measurement` and `settings`: the settings are those of
 * the measurement it names; an array for allOf. */
json_t *schemas_measured_choice(const struct catalogue *catalogue);

#endif
