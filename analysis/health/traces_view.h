/** What mains and image lines are looked for in: one channel's averaged spectrum and its
 * tone. All borrowed. */
#ifndef ANALYSIS_HEALTH_TRACES_VIEW_H
#define ANALYSIS_HEALTH_TRACES_VIEW_H

#include "analysis/dsp/spectrum.h"
#include "analysis/health/traces_tone.h"

struct traces_view {
    const struct spectrum *mean; /* finished */
    int length, sample_rate_hz;
    double nominal_hz; /* of the tone that was played, as `signal` tells; NaN: unknown */
    struct traces_tone_result tone;
};

#endif
