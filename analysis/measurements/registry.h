/** The one list of all measurements. */
#ifndef ANALYSIS_MEASUREMENTS_REGISTRY_H
#define ANALYSIS_MEASUREMENTS_REGISTRY_H

#include "analysis/measurements/measurement.h"

int registry_count(void);
const struct measurement *registry_get(int index);
/** NULL when there is none of that name. */
const struct measurement *registry_find(const char *name);

#endif
