#include "server/http/schemas_capture.h"

#include <stdint.h>

#include "server/base/limits.h"
#include "server/catalogue/catalogue_value.h"
#include "server/http/schema.h"

enum { RATE_MIN_HZ = 8000, RATE_MAX_HZ = 768000 };

static json_t *count(void)
{
    return schema_integer(0, INT64_MAX);
}

static json_t *channel(void)
{
    return schema_integer(1, CATALOGUE_VALUE_MAX_CHANNELS);
}

static json_t *number_or_null(void)
{
    return schema_nullable(schema_number());
}

static json_t *described_as(json_t *schema, const char *text)
{
    return schema_with(schema, "description", json_string(text));
}

static json_t *warning(void)
{
    return schema_object("code!", schema_pattern("^[a-z0-9_]+$"), "message!",
                         schema_text(), "channel", channel(), NULL);
}

static json_t *warnings(void)
{
    return schema_array(schema_reference("warning"));
}

static json_t *format(void)
{
    return schema_object(
        "container!", schema_words("wav rf64 bw64 w64 aiff caf flac"), "encoding!",
        schema_words("pcm_16 pcm_24 pcm_32 float_32 float_64"), "sample_rate_hz!",
        schema_integer(RATE_MIN_HZ, RATE_MAX_HZ), "channels!", channel(), "frames!",
        schema_nullable(count()), "duration_s!", number_or_null(), "md5",
        schema_words("verified mismatch absent"), NULL);
}

static json_t *dropout(void)
{
    return schema_object("frame!", count(), "length_frames!", schema_nullable(count()),
                         "phase_step_deg!", number_or_null(), "kind!",
                         schema_words("missing repeated zeroed"), NULL);
}

static json_t *health_channel(void)
{
    json_t *clipping = schema_object("detected!", schema_boolean(), "samples!", count(),
                                     "level_dbfs!", number_or_null(), NULL);
    json_t *span = schema_object("first_frame!", count(), "frames!", count(), NULL);
    json_t *dropouts = described_as(schema_array(dropout()),
                                    "The first ones; dropout_count counts all.");
    return schema_object(
        "channel!", channel(), "peak_dbfs!", number_or_null(), "rms_dbfs!",
        number_or_null(), "dc_offset!", number_or_null(), "bits_in_use!",
        schema_nullable(count()), "silent!", schema_boolean(), "clipping!", clipping,
        "over_full_scale_samples!", count(), "intersample_peak_dbfs!", number_or_null(),
        "dropout_count!", count(), "dropouts!", dropouts, "clean_span!",
        schema_nullable(span), "interchannel_delay_frames!", number_or_null(),
        "tone_frequency_hz!", number_or_null(), "clock_offset_ppm!", number_or_null(),
        NULL);
}

/* The states as `oneOf`. */
static json_t *capture_health(void)
{
    json_t *waits = schema_object("state!", schema_words("queued running"), "warnings!",
                                  warnings(), NULL);
    json_t *done = schema_object(
        "state!", schema_constant(json_string("done")), "channels",
        described_as(schema_array(schema_reference("health_channel")), "Not in lists."),
        "warnings!", warnings(), NULL);
    json_t *failed =
        schema_object("state!", schema_constant(json_string("failed")), "problem!",
                      schema_reference("failure"), "warnings!", warnings(), NULL);
    return json_pack("{s:s, s:[o, o, o]}", "description",
                     "Can the recording be trusted? Looked at once it is uploaded, "
                     "before it is measured.",
                     "oneOf", waits, done, failed);
}

static json_t *suggestion(void)
{
    return schema_object("measurement!", schema_reference("measurement_name"),
                         "settings!", schema_reference("settings_given"), NULL);
}

static json_t *capture(void)
{
    return schema_object("id!", schema_id("cap"), "name!",
                         schema_short_text(LIMIT_NAME_BYTES), "note!",
                         schema_short_text(LIMIT_NOTE_BYTES), "pinned!", schema_boolean(),
                         "tester!", schema_text(), "received!", schema_time(), "bytes!",
                         count(), "sha256!", schema_pattern("^[0-9a-f]{64}$"), "audio!",
                         schema_words("present missing changed"), "format!",
                         schema_nullable(schema_reference("format")), "signal!",
                         schema_nullable(schema_reference("played")), "health!",
                         schema_reference("capture_health"), "warnings!", warnings(),
                         "suggested!", schema_array(schema_reference("suggestion")),
                         "quarantined!", schema_boolean(), "links!",
                         schema_object("self!", schema_link(), "audio!", schema_link(),
                                       "analyses!", schema_link(), NULL),
                         NULL);
}

static json_t *uploaded(void)
{
    json_t *schema = capture();
    json_object_set_new(json_object_get(schema, "properties"), "analyses",
                        schema_array(schema_reference("analysis")));
    return described_as(schema, "A recording, with the analyses ordered with it.");
}

bool schemas_capture_add(json_t *schemas)
{
    static const struct {
        const char *name;
        json_t *(*make)(void);
    } table[] = {
        {"warning", warning},
        {"format", format},
        {"health_channel", health_channel},
        {"capture_health", capture_health},
        {"suggestion", suggestion},
        {"capture", capture},
        {"uploaded", uploaded},
    };
    bool added = true;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        added =
            json_object_set_new(schemas, table[i].name, table[i].make()) == 0 && added;
    return added;
}
