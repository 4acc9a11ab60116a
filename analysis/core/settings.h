/** The values of a measurement's settings or a signal's parameters, in the table's order.
 */
#ifndef ANALYSIS_CORE_SETTINGS_H
#define ANALYSIS_CORE_SETTINGS_H

#include <stdbool.h>

#include "analysis/core/description.h"

struct setting_value {
    bool given; /* false: null, no value and no default */
    int choice; /* index into choices, −1 when a number is meant */
    double number;
    double range[2];
    int list[DESCRIPTION_MAX_CHANNELS];
    int list_count;
};

struct settings {
    const struct description *description;
    struct setting_value values[DESCRIPTION_MAX_SETTINGS];
};

#endif
