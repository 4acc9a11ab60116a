#include "analysis/worker/settings_json.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/worker/json_build.h"

enum { WANTED_BYTES = 200 };

static bool has_limits(const struct setting_description *setting)
{
    return setting->minimum < setting->maximum;
}

/* "a number from 0.1 to 14400 s" */
static void describe_number(const struct setting_description *setting, const char *what,
                            char *text, size_t size)
{
    const char *space = setting->unit[0] ? " " : "";
    if (has_limits(setting))
        snprintf(text, size, "%s from %.10g to %.10g%s%s", what, setting->minimum,
                 setting->maximum, space, setting->unit);
    else
        snprintf(text, size, "%s%s%s", what, setting->unit[0] ? " in " : "",
                 setting->unit);
}

static void list_choices(const char *const *choices, char *text, size_t size)
{
    size_t used = 0;
    text[0] = 0;
    for (int i = 0; choices[i] && used < size; i++)
        used +=
            (size_t)snprintf(text + used, size - used, "%s%s", i ? ", " : "", choices[i]);
}

/* What the table allows, as the middle of a sentence. */
static void describe_wanted(const struct setting_description *setting, char *text,
                            size_t size)
{
    char choices[WANTED_BYTES / 2] = "";
    char number[WANTED_BYTES / 2];
    if (setting->choices)
        list_choices(setting->choices, choices, sizeof choices);
    switch (setting->type) {
    case SETTING_NUMBER:
        describe_number(setting, "a number", text, size);
        break;
    case SETTING_INTEGER:
        if (setting->choices)
            snprintf(text, size, "one of the numbers %s%s%s", choices,
                     setting->unit[0] ? " " : "", setting->unit);
        else
            describe_number(setting, "a whole number", text, size);
        break;
    case SETTING_RANGE:
        describe_number(setting, "an array of two ascending numbers", text, size);
        break;
    case SETTING_CHOICE:
        snprintf(text, size, "one of the words %s", choices);
        break;
    case SETTING_CHOICE_OR_NUMBER:
        describe_number(setting, "a number", number, sizeof number);
        snprintf(text, size, "one of the words %s, or %s", choices, number);
        break;
    case SETTING_CHANNELS:
        snprintf(text, size, "an array of distinct channel numbers from 1 to %d",
                 DESCRIPTION_MAX_CHANNELS);
        break;
    }
}

static bool refuse(const struct setting_description *setting, const json_t *value,
                   struct problem *problem)
{
    char wanted[WANTED_BYTES];
    describe_wanted(setting, wanted, sizeof wanted);
    char *got = json_dumps(value, JSON_ENCODE_ANY | JSON_ENSURE_ASCII | JSON_BUILD_FLAGS);
    problem_set(problem, PROBLEM_OUT_OF_RANGE, setting->name,
                "%s must be %s; it is %.60s%s.", setting->name, wanted,
                got ? got : "something else", got && strlen(got) > 60 ? "…" : "");
    free(got);
    return false;
}

static bool read_number(const struct setting_description *setting, const json_t *value,
                        double *ret)
{
    if (!json_is_number(value))
        return false;
    double number = json_number_value(value);
    if (!isfinite(number))
        return false;
    if (has_limits(setting) &&
        !(number >= setting->minimum && number <= setting->maximum))
        return false;
    *ret = number;
    return true;
}

static bool read_integer(const struct setting_description *setting, const json_t *value,
                         double *ret)
{
    double number;
    if (!read_number(setting, value, &number) || number != rint(number) ||
        fabs(number) > 0x1p53)
        return false;
    if (setting->choices) {
        char text[32];
        snprintf(text, sizeof text, "%.0f", number);
        int i = 0;
        while (setting->choices[i] && strcmp(setting->choices[i], text) != 0)
            i++;
        if (!setting->choices[i])
            return false;
    }
    *ret = number;
    return true;
}

static bool read_choice(const struct setting_description *setting, const json_t *value,
                        int *ret)
{
    if (!json_is_string(value))
        return false;
    for (int i = 0; setting->choices[i]; i++) {
        if (strcmp(setting->choices[i], json_string_value(value)) == 0) {
            *ret = i;
            return true;
        }
    }
    return false;
}

static bool read_range(const struct setting_description *setting, const json_t *value,
                       double ret[2])
{
    return json_is_array(value) && json_array_size(value) == 2 &&
           read_number(setting, json_array_get(value, 0), &ret[0]) &&
           read_number(setting, json_array_get(value, 1), &ret[1]) && ret[0] < ret[1];
}

static bool read_channels(const json_t *value, struct setting_value *ret)
{
    size_t count = json_array_size(value);
    if (!json_is_array(value) || count < 1 || count > DESCRIPTION_MAX_CHANNELS)
        return false;
    for (size_t i = 0; i < count; i++) {
        const json_t *item = json_array_get(value, i);
        json_int_t channel = json_integer_value(item);
        if (!json_is_integer(item) || channel < 1 || channel > DESCRIPTION_MAX_CHANNELS)
            return false;
        for (size_t k = 0; k < i; k++)
            if (ret->list[k] == channel)
                return false;
        ret->list[i] = (int)channel;
    }
    ret->list_count = (int)count;
    return true;
}

static bool read_value(const struct setting_description *setting, const json_t *value,
                       struct setting_value *ret)
{
    ret->given = true;
    ret->choice = -1;
    switch (setting->type) {
    case SETTING_NUMBER:
        return read_number(setting, value, &ret->number);
    case SETTING_INTEGER:
        return read_integer(setting, value, &ret->number);
    case SETTING_RANGE:
        return read_range(setting, value, ret->range);
    case SETTING_CHOICE:
        return read_choice(setting, value, &ret->choice);
    case SETTING_CHOICE_OR_NUMBER:
        return read_choice(setting, value, &ret->choice) ||
               read_number(setting, value, &ret->number);
    case SETTING_CHANNELS:
        return read_channels(value, ret);
    }
    return false;
}

static bool refuse_unknown(const struct description *description, const json_t *object,
                           struct problem *problem)
{
    const char *name;
    json_t *value;
    json_object_foreach((json_t *)object, name, value)
    {
        int i = 0;
        while (i < description->setting_count &&
               strcmp(description->settings[i].name, name) != 0)
            i++;
        if (i < description->setting_count)
            continue;
        const char *names[DESCRIPTION_MAX_SETTINGS + 1] = {NULL};
        char known[300];
        for (i = 0; i < description->setting_count; i++)
            names[i] = description->settings[i].name;
        list_choices(names, known, sizeof known);
        return problem_set(problem, PROBLEM_UNKNOWN_FIELD, name,
                           "%s knows %s; there is no %s.", description->name, known,
                           name);
    }
    return true;
}

bool settings_json_read(const struct description *description, const json_t *object,
                        struct settings *ret, struct problem *problem)
{
    assert(description->setting_count <= DESCRIPTION_MAX_SETTINGS);
    if (object && !json_is_object(object))
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, NULL,
                           "What %s is given must be a JSON object.", description->name);
    if (!refuse_unknown(description, object, problem))
        return false;
    struct settings settings = {.description = description};
    for (int i = 0; i < description->setting_count; i++) {
        const struct setting_description *setting = &description->settings[i];
        json_t *standard = json_loads(setting->default_json, JSON_DECODE_ANY, NULL);
        if (!standard)
            return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                               "Not enough memory to read the settings.");
        const json_t *value = json_object_get(object, setting->name);
        if (!value || json_is_null(value))
            value = standard;
        bool good = json_is_null(value) ||
                    read_value(setting, value, &settings.values[i]) ||
                    refuse(setting, value, problem);
        json_decref(standard);
        if (!good)
            return false;
    }
    *ret = settings;
    return true;
}

static json_t *write_channels(const struct setting_value *value)
{
    json_t *array = json_array();
    for (int i = 0; array && i < value->list_count; i++) {
        if (json_array_append_new(array, json_integer(value->list[i])) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

static json_t *write_value(const struct setting_description *setting,
                           const struct setting_value *value)
{
    if (!value->given)
        return json_null();
    switch (setting->type) {
    case SETTING_NUMBER:
    case SETTING_INTEGER:
        break;
    case SETTING_RANGE:
        return json_pack("[o,o]", json_build_number(value->range[0]),
                         json_build_number(value->range[1]));
    case SETTING_CHOICE:
        return json_string(setting->choices[value->choice]);
    case SETTING_CHOICE_OR_NUMBER:
        if (value->choice >= 0)
            return json_string(setting->choices[value->choice]);
        break;
    case SETTING_CHANNELS:
        return write_channels(value);
    }
    return json_build_number(value->number);
}

json_t *settings_json_write(const struct settings *settings)
{
    const struct description *description = settings->description;
    json_t *object = json_object();
    for (int i = 0; object && i < description->setting_count; i++) {
        const struct setting_description *setting = &description->settings[i];
        json_t *value = write_value(setting, &settings->values[i]);
        if (json_object_set_new(object, setting->name, value) != 0) {
            json_decref(object);
            return NULL;
        }
    }
    return object;
}
