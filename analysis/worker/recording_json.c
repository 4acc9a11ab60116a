#include "analysis/worker/recording_json.h"

#include <string.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/registry.h"
#include "analysis/signals/silence.h"
#include "analysis/signals/tone.h"
#include "analysis/worker/json_build.h"

static const char *md5_name(enum capture_md5 md5)
{
    switch (md5) {
    case CAPTURE_MD5_VERIFIED:
        return "verified";
    case CAPTURE_MD5_MISMATCH:
        return "mismatch";
    case CAPTURE_MD5_ABSENT:
        return "absent";
    case CAPTURE_MD5_NONE:
    case CAPTURE_MD5_UNREAD:
        break;
    }
    return NULL;
}

json_t *recording_json_format(const struct capture *capture, int64_t frames)
{
    const struct capture_format *format = capture_format(capture);
    json_t *count = json_null(), *duration_s = json_null();
    if (frames < 0)
        frames = format->frames;
    if (frames >= 0) {
        count = json_integer(frames);
        duration_s = json_build_real((double)frames / format->sample_rate_hz);
    }
    return json_pack("{s:s,s:s,s:i,s:i,s:o,s:o,s:s*}", "container", format->container,
                     "encoding", format->encoding, "sample_rate_hz",
                     format->sample_rate_hz, "channels", format->channels, "frames",
                     count, "duration_s", duration_s, "md5",
                     md5_name(capture_md5(capture)));
}

json_t *recording_json_warnings(const struct capture *capture)
{
    int count;
    const struct capture_warning *warnings = capture_warnings(capture, &count);
    json_t *array = json_array();
    for (int i = 0; i < count; i++)
        array = json_build_appended(
            array, json_build_warning(warnings[i].code, 0, warnings[i].message));
    return array;
}

static json_t *level(double magnitude)
{
    return json_build_real(decibel_from_power(magnitude * magnitude));
}

static const char *break_name(enum health_break kind)
{
    static const char *const names[] = {
        [HEALTH_MISSING] = "missing",
        [HEALTH_REPEATED] = "repeated",
        [HEALTH_ZEROED] = "zeroed",
    };
    return names[kind];
}

static json_t *count_or_null(int64_t count)
{
    return count < 0 ? json_null() : json_integer(count);
}

static json_t *dropouts(const struct health_channel *channel)
{
    json_t *array = json_array();
    for (int i = 0; i < channel->dropout_count && i < HEALTH_MAX_DROPOUTS; i++) {
        const struct health_dropout *dropout = &channel->dropouts[i];
        array = json_build_appended(
            array, json_pack("{s:I,s:o,s:o,s:s}", "frame", (json_int_t)dropout->frame,
                             "length_frames", count_or_null(dropout->length_frames),
                             "phase_step_deg", json_build_real(dropout->phase_step_deg),
                             "kind", break_name(dropout->kind)));
    }
    return array;
}

static json_t *channel_object(const struct health_channel *channel, int number)
{
    json_t *clipping =
        json_pack("{s:b,s:I,s:o}", "detected", channel->clipped, "samples",
                  (json_int_t)channel->clipped_samples, "level_dbfs",
                  channel->clipped ? level(channel->clipping_level) : json_null());
    json_t *clean = channel->clean.frames > 0
                        ? json_pack("{s:I,s:I}", "first_frame",
                                    (json_int_t)channel->clean.first_frame, "frames",
                                    (json_int_t)channel->clean.frames)
                        : json_null();
    return json_pack(
        "{s:i,s:o,s:o,s:o,s:o,s:b,s:o,s:I,s:o,s:I,s:o,s:o,s:o,s:o,s:o}", "channel",
        number, "peak_dbfs", level(channel->peak), "rms_dbfs",
        json_build_real(dbfs_from_mean_square(channel->mean_square)), "dc_offset",
        json_build_real(channel->dc), "bits_in_use", count_or_null(channel->bits_in_use),
        "silent", channel->silent, "clipping", clipping, "over_full_scale_samples",
        (json_int_t)channel->over_full_scale, "intersample_peak_dbfs",
        level(channel->intersample_peak), "dropout_count",
        (json_int_t)channel->dropout_count, "dropouts", dropouts(channel), "clean_span",
        clean, "interchannel_delay_frames", json_build_real(channel->delay_frames),
        "tone_frequency_hz", json_build_real(channel->tone_hz), "clock_offset_ppm",
        json_build_real(channel->clock_offset_ppm));
}

json_t *recording_json_health(const struct capture *capture, const struct health *health)
{
    json_t *channels = json_array(), *warnings = recording_json_warnings(capture);
    for (int c = 0; c < health->channel_count; c++)
        channels =
            json_build_appended(channels, channel_object(&health->channels[c], c + 1));
    for (int i = 0; i < health->warning_count; i++) {
        const struct health_warning *told = &health->warnings[i];
        warnings = json_build_appended(
            warnings, json_build_warning(told->code, told->channel, told->message));
    }
    return json_pack("{s:o,s:o}", "channels", channels, "warnings", warnings);
}

static json_t *suggested(json_t *array, const char *measurement)
{
    return registry_find(measurement)
               ? json_build_appended(array, json_pack("{s:s,s:{}}", "measurement",
                                                      measurement, "settings"))
               : array;
}

json_t *recording_json_suggested(const struct health *health, const struct signal *signal)
{
    const double quiet_dbfs = -40;
    const char *told = signal ? signal->measured_by : NULL;
    const char *of_quiet = silence_signal.measured_by;
    bool tone = false, quiet = false;
    json_t *array = json_array();
    for (int c = 0; c < health->channel_count; c++) {
        const struct health_channel *channel = &health->channels[c];
        bool low = dbfs_from_mean_square(channel->mean_square) < quiet_dbfs;
        tone = tone || (channel->tone_hz > 0 && !low);
        quiet = quiet || (low && !channel->silent);
    }
    if (told)
        array = suggested(array, told);
    else if (tone && !signal)
        array = suggested(array, tone_signal.measured_by);
    if (quiet && (!told || strcmp(told, of_quiet) != 0))
        array = suggested(array, of_quiet);
    return array;
}
