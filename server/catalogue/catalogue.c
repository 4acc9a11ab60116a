#include "server/catalogue/catalogue.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "server/catalogue/catalogue_shape.h"
#include "server/catalogue/catalogue_value.h"
#include "server/catalogue/nearest.h"

struct catalogue {
    json_t *described; /* a copy of our own: nobody else changes it */
};

bool catalogue_new(const json_t *described, struct catalogue **ret,
                   struct server_problem *problem)
{
    if (!catalogue_shape_check(described, problem))
        return false;
    struct catalogue *catalogue = calloc(1, sizeof *catalogue);
    if (catalogue != NULL)
        catalogue->described = json_deep_copy(described);
    if (catalogue == NULL || catalogue->described == NULL) {
        catalogue_free(catalogue);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "No memory for the worker's description.");
    }
    *ret = catalogue;
    return true;
}

void catalogue_free(struct catalogue *catalogue)
{
    if (catalogue == NULL)
        return;
    json_decref(catalogue->described);
    free(catalogue);
}

const json_t *catalogue_engine(const struct catalogue *catalogue)
{
    return json_object_get(catalogue->described, "engine");
}

const json_t *catalogue_measurements(const struct catalogue *catalogue)
{
    return json_object_get(catalogue->described, "measurements");
}

const json_t *catalogue_signals(const struct catalogue *catalogue)
{
    return json_object_get(catalogue->described, "signals");
}

static const char *name_of(const json_t *item)
{
    return json_string_value(json_object_get(item, "name"));
}

static const json_t *find(const json_t *items, const char *name)
{
    for (size_t i = 0; i < json_array_size(items); i++) {
        const json_t *item = json_array_get(items, i);
        if (strcmp(name_of(item), name) == 0)
            return item;
    }
    return NULL;
}

const json_t *catalogue_measurement(const struct catalogue *catalogue, const char *name)
{
    return find(catalogue_measurements(catalogue), name);
}

const json_t *catalogue_signal(const struct catalogue *catalogue, const char *name)
{
    return find(catalogue_signals(catalogue), name);
}

/** unknown_field with the nearest known name and all of them. */
static bool refuse_unknown(const json_t *settings, const char *noun, const char *name,
                           struct server_problem *problem)
{
    const char *names[CATALOGUE_SHAPE_MAX_SETTINGS];
    size_t count = 0, used = 0;
    char known[600] = "", shown_known[220], shown[NEAREST_MAX_BYTES], hint[128] = ".";
    for (; count < json_array_size(settings); count++) {
        names[count] = name_of(json_array_get(settings, count));
        if (used < sizeof known)
            used += (size_t)snprintf(known + used, sizeof known - used, "%s%s",
                                     count ? ", " : "", names[count]);
    }
    const char *near = nearest_name(name, names, count);
    if (near != NULL)
        snprintf(hint, sizeof hint, "; did you mean \"%s\"?", near);
    catalogue_value_cut(known, shown_known, sizeof shown_known);
    catalogue_value_cut(name, shown, sizeof shown);
    return server_problem_set(problem, SERVER_PROBLEM_UNKNOWN_FIELD, shown,
                              "There is no %s \"%s\"%s Known: %s.", noun, shown, hint,
                              shown_known);
}

static bool check_all(const json_t *settings, const char *noun, const json_t *given,
                      struct server_problem *problem)
{
    if (!json_is_object(given))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, NULL,
                                  "The %ss must be a JSON object, {\"name\":value, …}.",
                                  noun);
    const char *name;
    json_t *value;
    json_object_foreach((json_t *)given, name, value)
    {
        const json_t *setting = find(settings, name);
        if (setting == NULL)
            return refuse_unknown(settings, noun, name, problem);
        if (!catalogue_value_check(setting, value, problem))
            return false;
    }
    return true;
}

bool catalogue_check_settings(const json_t *measurement, const json_t *settings,
                              struct server_problem *problem)
{
    return check_all(json_object_get(measurement, "settings"), "setting", settings,
                     problem);
}

bool catalogue_check_parameters(const json_t *signal, const json_t *parameters,
                                struct server_problem *problem)
{
    return check_all(json_object_get(signal, "parameters"), "parameter", parameters,
                     problem);
}

/** What the text means to this type. What is no JSON, or JSON between blanks, stays a
 * text, so that the check can quote it when it refuses it. */
static json_t *value_from_text(const json_t *setting, const char *text)
{
    const char *type = json_string_value(json_object_get(setting, "type"));
    json_t *value = NULL;
    size_t length = strlen(text);
    bool blanks = length > 0 && (isspace((unsigned char)text[0]) ||
                                 isspace((unsigned char)text[length - 1]));
    if (strcmp(type, "choice") != 0 && !blanks)
        value = json_loads(text, JSON_DECODE_ANY | JSON_REJECT_DUPLICATES, NULL);
    return value ? value : json_string(text);
}

json_t *catalogue_parameter_from_text(const json_t *signal, const char *name,
                                      const char *text, struct server_problem *problem)
{
    const json_t *parameters = json_object_get(signal, "parameters");
    const json_t *parameter = find(parameters, name);
    if (parameter == NULL) {
        refuse_unknown(parameters, "parameter", name, problem);
        return NULL;
    }
    json_t *value = value_from_text(parameter, text);
    if (value == NULL) {
        server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, name,
                           "%s is not UTF-8 text.", name);
        return NULL;
    }
    if (!catalogue_value_check(parameter, value, problem)) {
        json_decref(value);
        return NULL;
    }
    return value;
}
