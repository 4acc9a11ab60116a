#include "analysis/worker/handed.h"

#include <string.h>

/* All codes that health and containers have. */
static const char *known_code(const char *text)
{
    static const char *const codes[] = {
        "truncated",
        "length_from_file",
        "size_wrapped",
        "riff_pad_missing",
        "trailing_bytes",
        "suspect_right_justified",
        "suspect_int_scaled_float",
        "over_full_scale",
        "clipping",
        "dropout",
        "mute_suspected",
        "channels_identical",
        "channel_silent",
        "polarity_inverted",
        "low_bits_unused",
        "possible_resampler",
        "mains_suspected",
        "clock_offset",
        "md5_mismatch",
        "lost_sync",
        "wrong_signal",
    };
    for (size_t i = 0; text && i < sizeof codes / sizeof codes[0]; i++)
        if (strcmp(codes[i], text) == 0)
            return codes[i];
    return NULL;
}

static bool refuse(struct problem *problem, const char *what)
{
    return problem_set(problem, PROBLEM_OUT_OF_RANGE, "health",
                       "The health of the recording cannot be read: %s.", what);
}

static bool channel_of(const json_t *object, json_int_t least, json_int_t *ret)
{
    *ret = json_integer_value(json_object_get(object, "channel"));
    return *ret >= least && *ret <= DESCRIPTION_MAX_CHANNELS;
}

static bool read_channel(const json_t *object, struct handed *ret,
                         struct problem *problem)
{
    const json_t *span = json_object_get(object, "clean_span");
    json_int_t channel;
    if (!channel_of(object, 1, &channel))
        return refuse(problem, "a channel has no number");
    if (json_is_null(span))
        return true;
    json_int_t first = json_integer_value(json_object_get(span, "first_frame"));
    json_int_t frames = json_integer_value(json_object_get(span, "frames"));
    if (!json_is_object(span) || first < 0 || frames < 1 || first > INT64_MAX - frames)
        return refuse(problem, "a clean_span is none");
    ret->clean[channel - 1] = (struct steady_clean){first, frames};
    return true;
}

static bool read_warning(const json_t *object, struct handed *ret,
                         struct problem *problem)
{
    const char *code = known_code(json_string_value(json_object_get(object, "code")));
    const char *message = json_string_value(json_object_get(object, "message"));
    json_int_t channel;
    if (!code || !message || !channel_of(object, 0, &channel))
        return refuse(problem, "a warning has no known code or no message");
    if (ret->warning_count == HANDED_MAX_WARNINGS)
        return refuse(problem, "there are too many warnings");
    ret->warnings[ret->warning_count].code = code;
    ret->warnings[ret->warning_count].channel = (int)channel;
    ret->warnings[ret->warning_count++].message = message;
    return true;
}

bool handed_read(const json_t *health, struct handed *ret, struct problem *problem)
{
    const json_t *channels = json_object_get(health, "channels");
    const json_t *warnings = json_object_get(health, "warnings"), *item;
    size_t index;
    *ret = (struct handed){.known = health != NULL};
    if (!health)
        return true;
    if (!json_is_array(channels) || !json_is_array(warnings))
        return refuse(problem, "channels or warnings are missing");
    json_array_foreach((json_t *)channels, index, item)
    {
        if (!read_channel(item, ret, problem))
            return false;
    }
    json_array_foreach((json_t *)warnings, index, item)
    {
        if (!read_warning(item, ret, problem))
            return false;
    }
    return true;
}

static bool is_measured(const struct report *report, int channel)
{
    for (int c = 0; c < report->channel_count; c++)
        if (channel == 0 || report->channels[c].channel == channel)
            return true;
    return false;
}

void handed_warn(const struct handed *handed, struct report *report)
{
    for (int i = 0; i < handed->warning_count; i++)
        if (is_measured(report, handed->warnings[i].channel))
            report_warn(report, handed->warnings[i].code, handed->warnings[i].channel,
                        "%s", handed->warnings[i].message);
}
