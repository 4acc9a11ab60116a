#include "analysis/measurements/registry.h"

#include <string.h>

#include "analysis/measurements/distortion.h"

static const struct measurement *const measurements[] = {
    &distortion_measurement,
};

int registry_count(void)
{
    return (int)(sizeof measurements / sizeof *measurements);
}

const struct measurement *registry_get(int index)
{
    return measurements[index];
}

const struct measurement *registry_find(const char *name)
{
    for (int i = 0; i < registry_count(); i++)
        if (strcmp(measurements[i]->description.name, name) == 0)
            return measurements[i];
    return NULL;
}
