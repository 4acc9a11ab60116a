#include "analysis/measurements/spans.h"

#include <math.h>

static bool find(const struct measurement_input *input, struct steady_request request,
                 struct steady_span *spans, struct problem *problem)
{
    const struct setting_value *values = input->settings->values;
    int rate = capture_format(input->capture)->sample_rate_hz;
    int64_t frames;
    request.first_frame = llround(values[SETTING_COMMON_START_S].number * rate);
    request.frames = -1;
    request.clean = input->clean;
    if (values[SETTING_COMMON_DURATION_S].given)
        request.frames = llround(values[SETTING_COMMON_DURATION_S].number * rate);
    return steady_find(input->capture, &request, spans, &frames, problem);
}

bool spans_find(const struct measurement_input *input, enum spans_part part,
                const struct progress *progress, struct steady_span *spans,
                struct problem *problem)
{
    struct steady_request request = {.whole = part == SPANS_CLEAN,
                                     .slowly = part == SPANS_SLOWLY_STEADY,
                                     .progress = progress};
    return find(input, request, spans, problem);
}

bool spans_find_both(const struct measurement_input *input,
                     const struct progress *progress, struct steady_span *steady,
                     struct steady_span *clean, struct problem *problem)
{
    struct steady_request request = {.wholes = clean, .progress = progress};
    return find(input, request, steady, problem);
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
