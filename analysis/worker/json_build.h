/** Small steps of building JSON; a NULL (no memory) anywhere makes the whole NULL, so
 * that only the end is checked. */
#ifndef ANALYSIS_WORKER_JSON_BUILD_H
#define ANALYSIS_WORKER_JSON_BUILD_H

#include <jansson.h>

/** Digits of every number in a result or answer. */
#define JSON_BUILD_FLAGS (JSON_COMPACT | JSON_REAL_PRECISION(12))

/** Adds a new value under a name, takes over both, gives the object back. */
json_t *json_build_with(json_t *object, const char *name, json_t *value)
    __attribute__((warn_unused_result));

/** Appends a new value, takes over both, gives the array back. */
json_t *json_build_appended(json_t *array, json_t *value)
    __attribute__((warn_unused_result));

/** Gives a finite number, a whole one without ".0". */
json_t *json_build_number(double number) __attribute__((warn_unused_result));

/** Gives a real, never −0; null where the value is not finite. */
json_t *json_build_real(double number) __attribute__((warn_unused_result));

/** Gives {"code","message"} and, unless the channel is 0, "channel". */
json_t *json_build_warning(const char *code, int channel, const char *message)
    __attribute__((warn_unused_result));

#endif
