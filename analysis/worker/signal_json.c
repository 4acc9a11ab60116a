#include "analysis/worker/signal_json.h"

#include <string.h>

#include "analysis/measurements/measurement.h"
#include "analysis/worker/settings_json.h"

bool signal_json_read(const json_t *object, struct signal_json *ret,
                      struct problem *problem)
{
    const char *name = json_string_value(json_object_get(object, "name"));
    ret->signal = NULL;
    if (!object || json_is_null(object))
        return true;
    const struct signal *signal = name ? signal_find(name) : NULL;
    if (!signal)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "signal",
                           "The signal needs a name that GET /v1/signals lists; there "
                           "is no %.60s.",
                           name ? name : "nameless one");
    if (!settings_json_read(&signal->description, json_object_get(object, "parameters"),
                            &ret->parameters, problem))
        return false;
    ret->signal = signal;
    return true;
}

json_t *signal_json_write(const struct signal_json *played)
{
    if (!played->signal)
        return json_null();
    return json_pack("{s:s,s:o}", "name", played->signal->description.name, "parameters",
                     settings_json_write(&played->parameters));
}

static const struct setting_value *find(const struct settings *settings, int from,
                                        const char *name,
                                        const struct setting_description **ret)
{
    for (int i = from; i < settings->description->setting_count; i++) {
        *ret = &settings->description->settings[i];
        if (strcmp((*ret)->name, name) == 0)
            return &settings->values[i];
    }
    return NULL;
}

static bool is_number(enum setting_type type)
{
    return type == SETTING_NUMBER || type == SETTING_INTEGER;
}

static void adopt(const struct setting_description *setting,
                  const struct setting_description *parameter,
                  const struct setting_value *from, struct setting_value *to)
{
    bool takes_number = (is_number(setting->type) && !setting->choices) ||
                        setting->type == SETTING_CHOICE_OR_NUMBER;
    if (takes_number && is_number(parameter->type) && from->number >= setting->minimum &&
        from->number <= setting->maximum) {
        *to = *from;
        to->choice = -1;
    } else if (setting->type == SETTING_CHOICE && parameter->type == SETTING_CHOICE) {
        const char *word = parameter->choices[from->choice];
        for (int i = 0; setting->choices[i]; i++)
            if (strcmp(setting->choices[i], word) == 0)
                *to = (struct setting_value){.given = true, .choice = i};
    }
}

void signal_json_adopt(const struct signal_json *played, const json_t *given,
                       struct settings *settings)
{
    if (!played->signal)
        return;
    for (int i = SETTING_COMMON_COUNT; i < settings->description->setting_count; i++) {
        const struct setting_description *setting = &settings->description->settings[i];
        const struct setting_description *parameter;
        const struct setting_value *value =
            find(&played->parameters, PARAMETER_COMMON_COUNT, setting->name, &parameter);
        const json_t *asked = json_object_get(given, setting->name);
        if (value && value->given && (!asked || json_is_null(asked)))
            adopt(setting, parameter, value, &settings->values[i]);
    }
}
