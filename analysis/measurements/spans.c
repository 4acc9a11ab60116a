#include "analysis/measurements/spans.h"

#include <math.h>

bool spans_find(const struct measurement_input *input, enum spans_steady how,
                const struct progress *progress, struct steady_span *steady,
                struct steady_span *clean, struct problem *problem)
{
    const struct setting_value *values = input->settings->values;
    int rate = capture_format(input->capture)->sample_rate_hz;
    struct steady_request request = {
        .first_frame = llround(values[SETTING_COMMON_START_S].number * rate),
        .frames = -1,
        .clean = input->clean,
        .slowly = how == SPANS_SLOWLY_STEADY,
        .wholes = clean,
        .progress = progress,
    };
    int64_t frames;
    if (values[SETTING_COMMON_DURATION_S].given)
        request.frames = llround(values[SETTING_COMMON_DURATION_S].number * rate);
    return steady_find(input->capture, &request, steady, &frames, problem);
}

bool spans_check_band(const struct settings *settings, int sample_rate_hz,
                      struct problem *problem)
{
    double half = sample_rate_hz / 2.0;
    double low_hz = settings->values[SETTING_COMMON_BAND_HZ].range[0];
    return low_hz < half ||
           problem_set(problem, PROBLEM_OUT_OF_RANGE, "band_hz",
                       "The band begins at %g Hz, but a recording at %d Hz holds "
                       "nothing from %g Hz on; give a lower band.",
                       low_hz, sample_rate_hz, half);
}
