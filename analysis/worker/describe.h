/** The answer to `describe`: the engine, every measurement and every signal, from their
 *  tables. Its shape stands in server/catalogue/catalogue.h. */
#ifndef ANALYSIS_WORKER_DESCRIBE_H
#define ANALYSIS_WORKER_DESCRIBE_H

#include <jansson.h>

#include "analysis/core/description.h"

/** Gives {"engine","measurements","signals"}; NULL: no memory. */
json_t *describe_all(void) __attribute__((warn_unused_result));

/** Gives {"name","version"}. */
json_t *describe_engine(void) __attribute__((warn_unused_result));

/** Gives one measurement's object. */
json_t *describe_measurement(const struct description *description)
    __attribute__((warn_unused_result));

/** Gives one signal's object. */
json_t *describe_signal(const struct description *description)
    __attribute__((warn_unused_result));

#endif
