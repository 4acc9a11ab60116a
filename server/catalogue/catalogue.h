/**
 * What the worker said it can do (`describe`), and checks of a request against it. All
 * objects are borrowed from the catalogue and live as long as it does; read-only,
 * thread-safe.
 *
 * {"engine":{"name","version"},
 *  "measurements":[{"name","summary","stimulus",
 *     "settings":[{"name","type","unit","default","minimum","maximum","choices","meaning"}],
 *     "figures":[{"name","unit","definition","source","better","floor"}],
 *     "findings":[{"name","type","definition"}],
 *     "lists":[{"name","definition","fields":[{"name","type","unit"}]}],
 *     "series":[{"name","definition","x":{"name","unit"},"y":{"name","unit"}}]}],
 *  "signals":[{"name","summary","parameters":[as settings],"formats":["wav","flac"]}]}
 *
 * Types of settings: "number", "integer" (choices = the allowed numbers, if any), "range"
 * (two ascending numbers), "choice" (one of choices), "choice_or_number", "channels"
 * (array of distinct channel numbers from 1), all nullable where the default is null.
 */
#ifndef SERVER_CATALOGUE_CATALOGUE_H
#define SERVER_CATALOGUE_CATALOGUE_H

#include <stdbool.h>

#include <jansson.h>

#include "server/base/problem.h"

struct catalogue;

/** Takes over a `describe` answer after checking its shape. Gives; free with
 * catalogue_free. */
bool catalogue_new(const json_t *described, struct catalogue **ret,
                   struct server_problem *problem) __attribute__((warn_unused_result));
void catalogue_free(struct catalogue *catalogue);

const json_t *catalogue_engine(const struct catalogue *catalogue);
const json_t *catalogue_measurements(const struct catalogue *catalogue); /* array */
const json_t *catalogue_signals(const struct catalogue *catalogue);      /* array */
/** NULL when there is none of that name. */
const json_t *catalogue_measurement(const struct catalogue *catalogue, const char *name);
const json_t *catalogue_signal(const struct catalogue *catalogue, const char *name);

/** Checks settings of a measurement: unknown_field naming it (and the nearest known
 * name), out_of_range with the limits and the unit. */
bool catalogue_check_settings(const json_t *measurement, const json_t *settings,
                              struct server_problem *problem)
    __attribute__((warn_unused_result));
/** The same for parameters of a signal. */
bool catalogue_check_parameters(const json_t *signal, const json_t *parameters,
                                struct server_problem *problem)
    __attribute__((warn_unused_result));
/** One parameter from a query string's text ("997", "tpdf", "[1,2]"), by the parameter's
 * type; gives a new reference or NULL with the problem. */
json_t *catalogue_parameter_from_text(const json_t *signal, const char *name,
                                      const char *text, struct server_problem *problem);

#endif
