#include "analysis/measurements/registry.h"

#include <string.h>

#include "analysis/measurements/distortion.h"
#include "analysis/measurements/intermodulation.h"
#include "analysis/measurements/jitter.h"
#include "analysis/measurements/multitone.h"
#include "analysis/measurements/noise.h"

static const struct measurement *const measurements[] = {
    &distortion_measurement, &noise_measurement,  &intermodulation_measurement,
    &multitone_measurement,  &jitter_measurement, NULL,
};

int registry_count(void)
{
    int count = 0;
    while (measurements[count])
        count++;
    return count;
}

const struct measurement *registry_get(int index)
{
    return measurements[index];
}

const struct measurement *registry_find(const char *name)
{
    for (int i = 0; measurements[i]; i++)
        if (strcmp(measurements[i]->description.name, name) == 0)
            return measurements[i];
    return NULL;
}
