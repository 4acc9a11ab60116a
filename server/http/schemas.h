/** The schemas of the resources whose shape is the same whatever is measured. */
#ifndef SERVER_HTTP_SCHEMAS_H
#define SERVER_HTTP_SCHEMAS_H

#include <stdbool.h>

#include <jansson.h>

/** Adds to `schemas`, each under its name: root, health, capture, captures, analysis,
 * analyses, measurement, measurements, signal, signals, problem, problem_meaning,
 * problem_meanings, and the parts they are made of. They refer to what schemas_measured
 * adds. False without memory. */
bool schemas_add(json_t *schemas) __attribute__((warn_unused_result));

/** Problem codes: those of the interface with that HTTP status, those that stand only
 * inside analyses with 0, all with −1. Separated by spaces, in the table's order. */
enum { SCHEMAS_CODES_BYTES = 1024 };
void schemas_codes(int status, char words[SCHEMAS_CODES_BYTES]);

#endif
