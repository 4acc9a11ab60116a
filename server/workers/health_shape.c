#include "server/workers/health_shape.h"

#include <stddef.h>
#include <string.h>

/* What a member may be. */
enum {
    TEXT = 1,
    WORD = 1 << 1, /* of a-z, 0-9, '_' and '-' */
    COUNT = 1 << 2,
    NUMBER = 1 << 3,
    YES_NO = 1 << 4,
    OBJECT = 1 << 5,
    ARRAY = 1 << 6,
    NONE = 1 << 7,    /* null */
    MISSING = 1 << 8, /* it may be left out */
};

struct member {
    const char *name; /* NULL ends a list */
    int kinds;
};

static bool is_word(const char *text)
{
    return *text != '\0' &&
           strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789_-") == strlen(text);
}

static bool is_of(const json_t *value, int kinds)
{
    if (value == NULL)
        return (kinds & MISSING) != 0;
    switch (json_typeof(value)) {
    case JSON_OBJECT:
        return (kinds & OBJECT) != 0;
    case JSON_ARRAY:
        return (kinds & ARRAY) != 0;
    case JSON_STRING:
        return (kinds & TEXT) != 0 ||
               ((kinds & WORD) != 0 && is_word(json_string_value(value)));
    case JSON_INTEGER:
        return (kinds & NUMBER) != 0 ||
               ((kinds & COUNT) != 0 && json_integer_value(value) >= 0);
    case JSON_REAL:
        return (kinds & NUMBER) != 0;
    case JSON_TRUE:
    case JSON_FALSE:
        return (kinds & YES_NO) != 0;
    case JSON_NULL:
        return (kinds & NONE) != 0;
    }
    return false;
}

static bool has(const json_t *object, const struct member *members)
{
    size_t count = 0;
    if (!json_is_object(object))
        return false;
    for (; members->name != NULL; members++) {
        const json_t *value = json_object_get(object, members->name);
        if (!is_of(value, members->kinds))
            return false;
        count += value != NULL;
    }
    return json_object_size(object) == count;
}

static bool all_have(const json_t *array, const struct member *members)
{
    for (size_t i = 0; i < json_array_size(array); i++)
        if (!has(json_array_get(array, i), members))
            return false;
    return true;
}

static bool is_channel(const json_t *channel, size_t number)
{
    static const struct member members[] = {
        {"channel", COUNT},
        {"peak_dbfs", NUMBER | NONE},
        {"rms_dbfs", NUMBER | NONE},
        {"dc_offset", NUMBER | NONE},
        {"bits_in_use", COUNT | NONE},
        {"silent", YES_NO},
        {"clipping", OBJECT},
        {"over_full_scale_samples", COUNT},
        {"intersample_peak_dbfs", NUMBER | NONE},
        {"dropout_count", COUNT},
        {"dropouts", ARRAY},
        {"clean_span", OBJECT | NONE},
        {"interchannel_delay_frames", NUMBER | NONE},
        {"tone_frequency_hz", NUMBER | NONE},
        {"clock_offset_ppm", NUMBER | NONE},
        {0},
    };
    static const struct member clipping[] = {
        {"detected", YES_NO}, {"samples", COUNT}, {"level_dbfs", NUMBER | NONE}, {0}};
    static const struct member dropouts[] = {{"frame", COUNT},
                                             {"length_frames", COUNT | NONE},
                                             {"phase_step_deg", NUMBER | NONE},
                                             {"kind", WORD},
                                             {0}};
    static const struct member span[] = {{"first_frame", COUNT}, {"frames", COUNT}, {0}};
    const json_t *clean = json_object_get(channel, "clean_span");
    return has(channel, members) &&
           json_integer_value(json_object_get(channel, "channel")) ==
               (json_int_t)number &&
           has(json_object_get(channel, "clipping"), clipping) &&
           all_have(json_object_get(channel, "dropouts"), dropouts) &&
           (json_is_null(clean) || has(clean, span));
}

static bool are_channels(const json_t *channels)
{
    size_t count = json_array_size(channels);
    for (size_t i = 0; i < count; i++)
        if (!is_channel(json_array_get(channels, i), i + 1))
            return false;
    return count >= 1 && count <= HEALTH_SHAPE_MAX_CHANNELS;
}

/* Of a channel that there is, or of the recording. */
static bool are_warnings(const json_t *warnings, size_t channels)
{
    static const struct member members[] = {
        {"code", WORD}, {"message", TEXT}, {"channel", COUNT | MISSING}, {0}};
    for (size_t i = 0; i < json_array_size(warnings); i++) {
        const json_t *each = json_array_get(warnings, i);
        const json_t *channel = json_object_get(each, "channel");
        json_int_t number = json_integer_value(channel);
        if (!has(each, members) ||
            (channel != NULL && (number < 1 || number > (json_int_t)channels)))
            return false;
    }
    return true;
}

static bool is_format(const json_t *format)
{
    static const struct member members[] = {
        {"container", WORD},       {"encoding", WORD},
        {"sample_rate_hz", COUNT}, {"channels", COUNT},
        {"frames", COUNT | NONE},  {"duration_s", NUMBER | NONE},
        {"md5", WORD | MISSING},   {0}};
    return has(format, members);
}

bool health_shape_inspected(const json_t *answer)
{
    return is_format(json_object_get(answer, "format")) &&
           are_warnings(json_object_get(answer, "warnings"), 0);
}

bool health_shape_holds(const json_t *answer)
{
    static const struct member health[] = {{"channels", ARRAY}, {"warnings", ARRAY}, {0}};
    static const struct member suggested[] = {
        {"measurement", WORD}, {"settings", OBJECT}, {0}};
    const json_t *report = json_object_get(answer, "health");
    const json_t *channels = json_object_get(report, "channels");
    return is_format(json_object_get(answer, "format")) && has(report, health) &&
           are_channels(channels) &&
           are_warnings(json_object_get(report, "warnings"), json_array_size(channels)) &&
           json_is_array(json_object_get(answer, "suggested")) &&
           all_have(json_object_get(answer, "suggested"), suggested);
}
