#include "analysis/worker/describe.h"

#include <stdlib.h>

#include "analysis/measurements/registry.h"
#include "analysis/signals/signal.h"
#include "analysis/worker/json_build.h"

static const char *setting_type_name(enum setting_type type)
{
    static const char *const names[] = {
        [SETTING_NUMBER] = "number",
        [SETTING_INTEGER] = "integer",
        [SETTING_RANGE] = "range",
        [SETTING_CHOICE] = "choice",
        [SETTING_CHOICE_OR_NUMBER] = "choice_or_number",
        [SETTING_CHANNELS] = "channels",
    };
    return names[type];
}

static const char *value_type_name(enum value_type type)
{
    static const char *const names[] = {
        [VALUE_NUMBER] = "number",
        [VALUE_BOOLEAN] = "boolean",
        [VALUE_WORD] = "word",
    };
    return names[type];
}

static const char *better_name(enum better better)
{
    static const char *const names[] = {
        [BETTER_NONE] = "none",
        [BETTER_LOWER] = "lower",
        [BETTER_HIGHER] = "higher",
    };
    return names[better];
}

static const char *floor_name(enum floor_kind floor)
{
    static const char *const names[] = {
        [FLOOR_NONE] = "none",
        [FLOOR_NOISE] = "noise",
        [FLOOR_HARMONIC] = "harmonic",
    };
    return names[floor];
}

/* Null without choices; those of an integer are numbers. */
static json_t *describe_choices(const struct setting_description *setting)
{
    if (!setting->choices)
        return json_null();
    json_t *array = json_array();
    for (int i = 0; setting->choices[i]; i++) {
        const char *choice = setting->choices[i];
        array = json_build_appended(array, setting->type == SETTING_INTEGER
                                               ? json_integer(strtoll(choice, NULL, 10))
                                               : json_string(choice));
    }
    return array;
}

static json_t *describe_setting(const struct setting_description *setting)
{
    bool limited = setting->minimum < setting->maximum;
    return json_pack("{s:s,s:s,s:s,s:o,s:o,s:o,s:o,s:s}", "name", setting->name, "type",
                     setting_type_name(setting->type), "unit", setting->unit, "default",
                     json_loads(setting->default_json, JSON_DECODE_ANY, NULL), "minimum",
                     limited ? json_build_number(setting->minimum) : json_null(),
                     "maximum",
                     limited ? json_build_number(setting->maximum) : json_null(),
                     "choices", describe_choices(setting), "meaning", setting->meaning);
}

static json_t *describe_settings(const struct description *description)
{
    json_t *array = json_array();
    for (int i = 0; i < description->setting_count; i++)
        array = json_build_appended(array, describe_setting(&description->settings[i]));
    return array;
}

static json_t *describe_figures(const struct description *description)
{
    json_t *array = json_array();
    for (int i = 0; i < description->figure_count; i++) {
        const struct figure_description *figure = &description->figures[i];
        array = json_build_appended(
            array, json_pack("{s:s,s:s,s:s,s:s,s:s,s:s}", "name", figure->name, "unit",
                             figure->unit, "definition", figure->definition, "source",
                             figure->source, "better", better_name(figure->better),
                             "floor", floor_name(figure->floor)));
    }
    return array;
}

static json_t *describe_findings(const struct description *description)
{
    json_t *array = json_array();
    for (int i = 0; i < description->finding_count; i++) {
        const struct finding_description *finding = &description->findings[i];
        array =
            json_build_appended(array, json_pack("{s:s,s:s,s:s}", "name", finding->name,
                                                 "type", value_type_name(finding->type),
                                                 "definition", finding->definition));
    }
    return array;
}

static json_t *describe_fields(const struct list_description *list)
{
    json_t *array = json_array();
    for (int i = 0; i < DESCRIPTION_MAX_FIELDS && list->fields[i].name; i++) {
        const char *unit = list->fields[i].unit;
        array = json_build_appended(
            array,
            json_pack("{s:s,s:s,s:s}", "name", list->fields[i].name, "type",
                      value_type_name(list->fields[i].type), "unit", unit ? unit : ""));
    }
    return array;
}

static json_t *describe_lists(const struct description *description)
{
    json_t *array = json_array();
    for (int i = 0; i < description->list_count; i++) {
        const struct list_description *list = &description->lists[i];
        array = json_build_appended(array, json_pack("{s:s,s:s,s:o}", "name", list->name,
                                                     "definition", list->definition,
                                                     "fields", describe_fields(list)));
    }
    return array;
}

static json_t *describe_series(const struct description *description)
{
    json_t *array = json_array();
    for (int i = 0; i < description->series_count; i++) {
        const struct series_description *series = &description->series[i];
        array = json_build_appended(
            array, json_pack("{s:s,s:s,s:{s:s,s:s},s:{s:s,s:s}}", "name", series->name,
                             "definition", series->definition, "x", "name",
                             series->x.name, "unit", series->x.unit, "y", "name",
                             series->y.name, "unit", series->y.unit));
    }
    return array;
}

json_t *describe_measurement(const struct description *description)
{
    return json_pack("{s:s,s:s,s:s,s:o,s:o,s:o,s:o,s:o}", "name", description->name,
                     "summary", description->summary, "stimulus", description->stimulus,
                     "settings", describe_settings(description), "figures",
                     describe_figures(description), "findings",
                     describe_findings(description), "lists", describe_lists(description),
                     "series", describe_series(description));
}

json_t *describe_signal(const struct description *description)
{
    return json_pack("{s:s,s:s,s:o,s:[s,s]}", "name", description->name, "summary",
                     description->summary, "parameters", describe_settings(description),
                     "formats", "wav", "flac");
}

json_t *describe_engine(void)
{
    return json_pack("{s:s,s:s}", "name", "residuum", "version", RESIDUUM_VERSION);
}

json_t *describe_all(void)
{
    json_t *measurements = json_array(), *signals = json_array();
    for (int i = 0; i < registry_count(); i++)
        measurements = json_build_appended(
            measurements, describe_measurement(&registry_get(i)->description));
    for (int i = 0; i < signal_count(); i++)
        signals =
            json_build_appended(signals, describe_signal(&signal_get(i)->description));
    return json_pack("{s:o,s:o,s:o}", "engine", describe_engine(), "measurements",
                     measurements, "signals", signals);
}
