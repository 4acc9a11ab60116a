/** What levels.c sums up of a channel, for the sentences of levels_warn.c. */
#ifndef ANALYSIS_HEALTH_LEVELS_PARTS_H
#define ANALYSIS_HEALTH_LEVELS_PARTS_H

#include "analysis/health/levels_between.h"
#include "analysis/health/levels_flat.h"
#include "analysis/health/levels_mute.h"
#include "analysis/health/levels_tops.h"
#include "analysis/health/levels_written.h"

struct levels_channel {
    double sum, sum_squares, minimum, maximum;
    int64_t over_full_scale;
    struct levels_flat top, bottom;
    struct levels_between between;
    struct levels_written written;
    struct levels_mute mute;
    struct levels_tops tops;
};

#endif
