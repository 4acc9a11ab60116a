/** The parameters that every signal's table begins with, in the order of signal.h. */
#ifndef ANALYSIS_SIGNALS_PARAMETERS_H
#define ANALYSIS_SIGNALS_PARAMETERS_H

#include "analysis/core/description.h"

static const char *const parameters_bits[] = {"16", "24", "32", NULL};

#define PARAMETERS_COMMON                                                                \
    {"sample_rate_hz",         SETTING_INTEGER, "Hz", "48000", 8000, 768000, NULL,       \
     "sample rate of the file"},                                                         \
        {"bits",                                                                         \
         SETTING_INTEGER,                                                                \
         "bit",                                                                          \
         "24",                                                                           \
         16,                                                                             \
         32,                                                                             \
         parameters_bits,                                                                \
         "bits of a sample, integer PCM"},                                               \
        {"channels", SETTING_INTEGER, "", "2", 1, 16, NULL, "channels of the file"},     \
    {                                                                                    \
        "duration_s", SETTING_NUMBER, "s", "10", 0.1, 3600, NULL, "length of the file"   \
    }

#endif
