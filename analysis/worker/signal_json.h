/** What was played, as told: {"name":"tone","parameters":{…}}. */
#ifndef ANALYSIS_WORKER_SIGNAL_JSON_H
#define ANALYSIS_WORKER_SIGNAL_JSON_H

#include <stdbool.h>

#include <jansson.h>

#include "analysis/core/problem.h"
#include "analysis/core/settings.h"
#include "analysis/signals/signal.h"

struct signal_json {
    const struct signal *signal; /* NULL: not told */
    struct settings parameters;
};

/** NULL and null: not told. OUT_OF_RANGE for a signal that is none of ours (field
 * `signal`), and the problems of settings_json_read for its parameters. */
bool signal_json_read(const json_t *object, struct signal_json *ret,
                      struct problem *problem) __attribute__((warn_unused_result));

/** Gives the object with all parameters, or null; NULL: no memory. */
json_t *signal_json_write(const struct signal_json *played)
    __attribute__((warn_unused_result));

/** Settings of a measurement that `given` (what was asked for, or NULL) leaves out, take
 * the value of the signal's parameter of the same name, where their limits allow it. Not
 * the common ones: the signal's duration says nothing of what is to be measured. */
void signal_json_adopt(const struct signal_json *played, const json_t *given,
                       struct settings *settings);

#endif
