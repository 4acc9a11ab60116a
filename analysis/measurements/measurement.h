/**
 * One entry of the registry: the description that drives everything, and the function.
 * `run` may seek and read the capture as it likes, tells progress, and fills the report
 * that the caller made with measurement_report_channels.
 */
#ifndef ANALYSIS_MEASUREMENTS_MEASUREMENT_H
#define ANALYSIS_MEASUREMENTS_MEASUREMENT_H

#include "analysis/capture/capture.h"
#include "analysis/core/description.h"
#include "analysis/core/progress.h"
#include "analysis/core/report.h"
#include "analysis/core/settings.h"
#include "analysis/dsp/fft.h"
#include "analysis/measurements/steady.h"
#include "analysis/signals/signal.h"

/** Every measurement's table begins with these, in this order. */
enum common_setting {
    SETTING_COMMON_CHANNELS,
    SETTING_COMMON_START_S,
    SETTING_COMMON_DURATION_S,
    SETTING_COMMON_BAND_HZ,
    SETTING_COMMON_COUNT,
};

/* clang-format off */
#define MEASUREMENT_COMMON_SETTINGS                                                      \
    {"channels", SETTING_CHANNELS, "", "null", 1, 16, NULL,                              \
     "channels to measure, from 1; all when not given"},                                 \
    {"start_s", SETTING_NUMBER, "s", "0", 0, 14400, NULL,                                \
     "where in the recording to begin"},                                                 \
    {"duration_s", SETTING_NUMBER, "s", "null", 0.1, 14400, NULL,                        \
     "how much of it to use; to its end when not given"},                                \
    {"band_hz", SETTING_RANGE, "Hz", "[20,20000]", 1, 384000, NULL,                      \
     "band of every in-band figure, rectangular, never beyond half the sample rate"}
/* clang-format on */

/** All borrowed. */
struct measurement_input {
    struct capture *capture;
    const struct settings *settings;
    const struct steady_clean *clean; /* of each channel of the capture, or NULL */
    const struct signal *signal;      /* what was played, as told; NULL: not told */
    const struct settings *played;    /* its parameters, or NULL */
    struct fft_cache *cache; /* plans and windows, which outlive the measurement */
    const struct progress *progress;
};

struct measurement {
    struct description description;
    /** Problems: NOT_MEASURABLE, NOT_FINITE, OUT_OF_RANGE, OUT_OF_MEMORY, IO. The
     * report's channels are those of the setting `channels`, each checked to exist. */
    bool (*run)(const struct measurement_input *input, struct report *report,
                struct problem *problem);
};

#endif
