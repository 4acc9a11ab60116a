/** Numbers on their way into JSON. */
#ifndef ANALYSIS_WORKER_NUMBER_H
#define ANALYSIS_WORKER_NUMBER_H

#include <jansson.h>

/** Gives a finite number, a whole one without ".0"; NULL: no memory. */
json_t *number_plain(double number) __attribute__((warn_unused_result));

/** Gives a real; null where the value is not finite, and never −0. NULL: no memory. */
json_t *number_or_null(double number) __attribute__((warn_unused_result));

/** Digits of every number in a result or answer. */
#define NUMBER_FLAGS JSON_REAL_PRECISION(12)

#endif
