#include "server/http/schemas_measured.h"

#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "server/catalogue/catalogue_value.h"
#include "server/http/schema.h"

enum { NAME_BYTES = 128, MEANING_BYTES = 600 };

static const char *text_of(const json_t *object, const char *member)
{
    return json_string_value(json_object_get(object, member));
}

static json_t *described_as(json_t *schema, const char *text)
{
    return schema_with(schema, "description", json_string(text));
}

/* A new object with no other members than these. */
static json_t *closed(json_t *properties, json_t *required)
{
    return json_pack("{s:s, s:o, s:o, s:b}", "type", "object", "properties", properties,
                     "required", required, "additionalProperties", 0);
}

static json_t *unit(const json_t *described)
{
    return schema_constant(json_string(text_of(described, "unit")));
}

static json_t *limited(const char *type, const json_t *setting)
{
    json_t *schema = json_pack("{s:s}", "type", type);
    const json_t *minimum = json_object_get(setting, "minimum");
    if (json_is_number(minimum)) {
        schema = schema_with(schema, "minimum", json_deep_copy(minimum));
        schema = schema_with(schema, "maximum",
                             json_deep_copy(json_object_get(setting, "maximum")));
    }
    return schema;
}

static json_t *choices(const json_t *setting)
{
    return json_pack("{s:o}", "enum",
                     json_deep_copy(json_object_get(setting, "choices")));
}

static json_t *range(const json_t *setting)
{
    json_t *schema = schema_array(limited("number", setting));
    schema = schema_with(schema, "minItems", json_integer(2));
    return schema_with(schema, "maxItems", json_integer(2));
}

static json_t *channels(void)
{
    json_t *schema = schema_array(schema_integer(1, CATALOGUE_VALUE_MAX_CHANNELS));
    schema = schema_with(schema, "minItems", json_integer(1));
    return schema_with(schema, "uniqueItems", json_true());
}

static json_t *of_type(const json_t *setting)
{
    const char *type = text_of(setting, "type");
    if (strcmp(type, "integer") == 0 &&
        json_is_array(json_object_get(setting, "choices")))
        return choices(setting);
    if (strcmp(type, "integer") == 0 || strcmp(type, "number") == 0)
        return limited(type, setting);
    if (strcmp(type, "choice") == 0)
        return choices(setting);
    if (strcmp(type, "choice_or_number") == 0)
        return json_pack("{s:[o, o]}", "anyOf", choices(setting),
                         limited("number", setting));
    if (strcmp(type, "range") == 0)
        return range(setting);
    return channels();
}

json_t *schemas_measured_setting(const json_t *setting)
{
    char meaning[MEANING_BYTES];
    const char *unit_text = text_of(setting, "unit");
    json_t *standard = json_object_get(setting, "default");
    json_t *schema = of_type(setting);
    if (json_is_null(standard))
        schema = schema_nullable(schema);
    schema = schema_with(schema, "default", json_deep_copy(standard));
    snprintf(meaning, sizeof meaning, unit_text[0] != '\0' ? "%s (%s)" : "%s",
             text_of(setting, "meaning"), unit_text);
    return described_as(schema, meaning);
}

/* All settings of a measurement, or parameters of a signal (`kind` is their member);
 * those that must be there: none, or all. */
static json_t *settings(const json_t *described, const char *kind, bool all)
{
    json_t *properties = json_object(), *required = json_array();
    const json_t *list = json_object_get(described, kind);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *setting = json_array_get(list, i);
        json_object_set_new(properties, text_of(setting, "name"),
                            schemas_measured_setting(setting));
        if (all)
            json_array_append(required, json_object_get(setting, "name"));
    }
    return closed(properties, required);
}

json_t *schemas_measured_names(const json_t *items)
{
    json_t *names = json_array();
    for (size_t i = 0; i < json_array_size(items); i++)
        json_array_append(names, json_object_get(json_array_get(items, i), "name"));
    return json_pack("{s:s, s:o}", "type", "string", "enum", names);
}

/* Three forms: a value with its uncertainty, a value that is a bound, and none with the
 * reason and perhaps a bound. */
static json_t *figure(void)
{
    json_t *value = schema_object("value!", schema_number(), "unit!", schema_text(),
                                  "u95!", schema_nullable(schema_number()), NULL);
    json_t *bound = schema_object("value!", schema_number(), "unit!", schema_text(),
                                  "u95!", json_pack("{s:s}", "type", "null"), "bound!",
                                  schema_words("at_most at_least"), NULL);
    json_t *none = schema_object(
        "value!", json_pack("{s:s}", "type", "null"), "unit!", schema_text(), "reason!",
        schema_words("no_calibration digital_silence below_noise above_band "
                     "not_enough_data no_reference not_determinable"),
        "bound", schema_number(), NULL);
    return json_pack("{s:s, s:[o, o, o]}", "description",
                     "A number with its unit and its 95 % uncertainty; or a bound; or "
                     "null with the reason, and a bound in the unit where one is known.",
                     "oneOf", value, bound, none);
}

static json_t *figures(const json_t *measurement)
{
    json_t *properties = json_object(), *required = json_array();
    const json_t *list = json_object_get(measurement, "figures");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *each = json_array_get(list, i);
        json_t *schema =
            schema_with(schema_reference("figure"), "type", json_string("object"));
        schema =
            schema_with(schema, "properties", json_pack("{s:o}", "unit", unit(each)));
        json_object_set_new(properties, text_of(each, "name"),
                            described_as(schema, text_of(each, "definition")));
        json_array_append(required, json_object_get(each, "name"));
    }
    return closed(properties, required);
}

/* A finding or a field of a list, which may be null. */
static json_t *value(const json_t *described)
{
    const char *type = text_of(described, "type");
    bool word = strcmp(type, "word") == 0;
    return json_pack("{s:[s, s]}", "type", word ? "string" : type, "null");
}

static json_t *findings(const json_t *measurement)
{
    json_t *properties = json_object(), *required = json_array();
    const json_t *list = json_object_get(measurement, "findings");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *each = json_array_get(list, i);
        json_object_set_new(properties, text_of(each, "name"),
                            described_as(value(each), text_of(each, "definition")));
        json_array_append(required, json_object_get(each, "name"));
    }
    return closed(properties, required);
}

static json_t *row(const json_t *list)
{
    json_t *properties = json_object(), *required = json_array();
    const json_t *fields = json_object_get(list, "fields");
    for (size_t i = 0; i < json_array_size(fields); i++) {
        const json_t *field = json_array_get(fields, i);
        const char *unit_text = text_of(field, "unit");
        json_t *schema = value(field);
        if (unit_text[0] != '\0')
            schema = described_as(schema, unit_text);
        json_object_set_new(properties, text_of(field, "name"), schema);
        json_array_append(required, json_object_get(field, "name"));
    }
    return closed(properties, required);
}

static json_t *lists(const json_t *measurement)
{
    json_t *properties = json_object(), *required = json_array();
    const json_t *list = json_object_get(measurement, "lists");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *each = json_array_get(list, i);
        json_object_set_new(
            properties, text_of(each, "name"),
            described_as(schema_array(row(each)), text_of(each, "definition")));
        json_array_append(required, json_object_get(each, "name"));
    }
    return closed(properties, required);
}

static json_t *axis(const json_t *described, const char *values, json_t *items)
{
    json_t *name = schema_constant(json_string(text_of(described, "name")));
    if (values == NULL)
        return schema_object("name!", name, "unit!", unit(described), NULL);
    return schema_object("name!", name, "unit!", unit(described), values,
                         schema_array(items), NULL);
}

/* What a result tells of its curves. One that has no points is left out. */
static json_t *curves(const json_t *measurement)
{
    json_t *properties = json_object();
    const json_t *list = json_object_get(measurement, "series");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *each = json_array_get(list, i);
        json_t *schema = schema_object("points!", schema_integer(1, INT64_MAX), "x!",
                                       axis(json_object_get(each, "x"), NULL, NULL), "y!",
                                       axis(json_object_get(each, "y"), NULL, NULL),
                                       "resolution_bandwidth_hz", schema_number(), NULL);
        json_object_set_new(properties, text_of(each, "name"),
                            described_as(schema, text_of(each, "definition")));
    }
    return closed(properties, json_array());
}

static json_t *channel(const json_t *measurement)
{
    json_t *span =
        schema_object("start_s!", schema_number(), "end_s!", schema_number(), NULL);
    return schema_object("channel!", schema_integer(1, CATALOGUE_VALUE_MAX_CHANNELS),
                         "span!", schema_nullable(span), "figures!", figures(measurement),
                         "findings!", findings(measurement), "lists!", lists(measurement),
                         "series!", curves(measurement), NULL);
}

static json_t *result(const json_t *measurement)
{
    json_t *name = schema_constant(json_string(text_of(measurement, "name")));
    json_t *schema = schema_object(
        "analysis!", schema_id("ana"), "measurement!", name, "engine!",
        schema_object("name!", schema_constant(json_string("residuum")), "version!",
                      schema_pattern("^[0-9]+\\.[0-9]+\\.[0-9]+$"), NULL),
        "capture!", schema_reference("measured_capture"), "floor_capture",
        schema_reference("measured_capture"), "settings!",
        settings(measurement, "settings", true), "signal!",
        schema_nullable(schema_reference("played")), "links!",
        schema_object("series!", schema_pattern("^/v1/"), NULL), "channels!",
        schema_array(channel(measurement)), "warnings!",
        schema_array(schema_reference("warning")), NULL);
    return described_as(schema, text_of(measurement, "summary"));
}

static json_t *measured_capture(void)
{
    return schema_object("id!", schema_id("cap"), "sha256!",
                         schema_pattern("^[0-9a-f]{64}$"), "sample_rate_hz!",
                         schema_integer(1, INT64_MAX), "frames!",
                         schema_integer(0, INT64_MAX), NULL);
}

/* One curve with its values; those of y may be null, where there is none. */
static json_t *series(const json_t *described)
{
    const char *name = text_of(described, "name");
    json_t *schema = schema_object(
        "name!", schema_constant(json_string(name)), "channel!",
        schema_integer(1, CATALOGUE_VALUE_MAX_CHANNELS), "resolution_bandwidth_hz",
        schema_number(), "x!",
        axis(json_object_get(described, "x"), "values!", schema_number()), "y!",
        axis(json_object_get(described, "y"), "values!",
             schema_nullable(schema_number())),
        NULL);
    return described_as(schema, text_of(described, "definition"));
}

/* `prefix` before the name of a measurement. */
static void join(const char *prefix, const json_t *measurement, char name[NAME_BYTES])
{
    snprintf(name, NAME_BYTES, "%s%s", prefix, text_of(measurement, "name"));
}

json_t *schemas_measured_choice(const struct catalogue *catalogue)
{
    json_t *rules = json_array();
    const json_t *all = catalogue_measurements(catalogue);
    for (size_t i = 0; i < json_array_size(all); i++) {
        const json_t *measurement = json_array_get(all, i);
        char name[NAME_BYTES];
        join("settings_", measurement, name);
        json_array_append_new(
            rules, json_pack("{s:{s:s, s:{s:{s:O}}}, s:{s:s, s:{s:o}}}", "if", "type",
                             "object", "properties", "measurement", "const",
                             json_object_get(measurement, "name"), "then", "type",
                             "object", "properties", "settings", schema_reference(name)));
    }
    return rules;
}

static bool add_measurement(json_t *schemas, const json_t *measurement)
{
    char name[NAME_BYTES];
    json_t *any_series = json_object_get(json_object_get(schemas, "series"), "anyOf");
    const json_t *list = json_object_get(measurement, "series");
    for (size_t i = 0; i < json_array_size(list); i++)
        json_array_append_new(any_series, series(json_array_get(list, i)));
    join("settings_", measurement, name);
    json_array_append_new(
        json_object_get(json_object_get(schemas, "settings_given"), "anyOf"),
        schema_reference(name));
    if (json_object_set_new(schemas, name, settings(measurement, "settings", false)) != 0)
        return false;
    join("result_", measurement, name);
    json_array_append_new(json_object_get(json_object_get(schemas, "result"), "oneOf"),
                          schema_reference(name));
    return json_object_set_new(schemas, name, result(measurement)) == 0;
}

/* What was played: a signal with parameters of its own. */
static json_t *played(const json_t *signals)
{
    json_t *any = json_array();
    for (size_t i = 0; i < json_array_size(signals); i++) {
        const json_t *signal = json_array_get(signals, i);
        json_array_append_new(
            any,
            schema_object(
                "name!", schema_constant(json_deep_copy(json_object_get(signal, "name"))),
                "parameters", settings(signal, "parameters", false), NULL));
    }
    return json_pack("{s:o}", "anyOf", any);
}

bool schemas_measured_add(json_t *schemas, const struct catalogue *catalogue)
{
    const json_t *measurements = catalogue_measurements(catalogue);
    json_t *names = schemas_measured_names(measurements);
    json_t *signals = schemas_measured_names(catalogue_signals(catalogue));
    bool added = json_object_set_new(schemas, "measurement_name", names) == 0;
    added = json_object_set_new(schemas, "signal_name", signals) == 0 && added;
    added = json_object_set_new(schemas, "played",
                                played(catalogue_signals(catalogue))) == 0 &&
            added;
    added = json_object_set_new(schemas, "figure", figure()) == 0 && added;
    added = json_object_set_new(schemas, "measured_capture", measured_capture()) == 0 &&
            added;
    static const char *const collections[][2] = {
        {"settings_given", "anyOf"}, {"result", "oneOf"}, {"series", "anyOf"}};
    for (size_t i = 0; i < sizeof collections / sizeof collections[0]; i++)
        added = json_object_set_new(schemas, collections[i][0],
                                    json_pack("{s:[]}", collections[i][1])) == 0 &&
                added;
    for (size_t i = 0; i < json_array_size(measurements); i++)
        added = add_measurement(schemas, json_array_get(measurements, i)) && added;
    json_t *analysis = json_object_get(schemas, "analysis");
    return json_object_set_new(analysis, "allOf", schemas_measured_choice(catalogue)) ==
               0 &&
           added;
}
