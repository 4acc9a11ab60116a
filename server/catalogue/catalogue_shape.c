#include "server/catalogue/catalogue_shape.h"

#include <stdio.h>
#include <string.h>

#include "server/catalogue/catalogue_value.h"

enum { PATH_BYTES = 160 };

enum kind {
    TEXT,
    NAME,     /* text fit for a path */
    WORD,     /* text, one of `words` */
    NUMBER,   /* or null */
    CHOICES,  /* array that is not empty, or null */
    TEXTS,    /* array of texts that is not empty */
    ANYTHING, /* but there */
    OBJECT,   /* of `members` */
    OBJECTS,  /* array of such, their names unique */
};

struct member {
    const char *name; /* NULL ends a table */
    enum kind kind;
    const char *const *words;
    const struct member *members;
};

static const char *const setting_types[] = {
    "number", "integer", "range", "choice", "choice_or_number", "channels", NULL};
static const char *const value_types[] = {"number", "boolean", "word", NULL};
static const char *const betters[] = {"lower", "higher", "none", NULL};
static const char *const floors[] = {"none", "noise", "harmonic", NULL};

static const struct member engine[] = {{.name = "name"}, {.name = "version"}, {0}};
static const struct member axis[] = {{.name = "name"}, {.name = "unit"}, {0}};
static const struct member setting[] = {
    {"name", NAME, NULL, NULL},
    {"type", WORD, setting_types, NULL},
    {"unit", TEXT, NULL, NULL},
    {"default", ANYTHING, NULL, NULL},
    {"minimum", NUMBER, NULL, NULL},
    {"maximum", NUMBER, NULL, NULL},
    {"choices", CHOICES, NULL, NULL},
    {"meaning", TEXT, NULL, NULL},
    {0},
};
static const struct member figure[] = {
    {"name", NAME, NULL, NULL},
    {"unit", TEXT, NULL, NULL},
    {"definition", TEXT, NULL, NULL},
    {"source", TEXT, NULL, NULL},
    {"better", WORD, betters, NULL},
    {"floor", WORD, floors, NULL},
    {0},
};
static const struct member finding[] = {
    {"name", NAME, NULL, NULL},
    {"type", WORD, value_types, NULL},
    {"definition", TEXT, NULL, NULL},
    {0},
};
static const struct member list_field[] = {
    {"name", NAME, NULL, NULL},
    {"type", WORD, value_types, NULL},
    {"unit", TEXT, NULL, NULL},
    {0},
};
static const struct member list[] = {
    {"name", NAME, NULL, NULL},
    {"definition", TEXT, NULL, NULL},
    {"fields", OBJECTS, NULL, list_field},
    {0},
};
static const struct member series[] = {
    {"name", NAME, NULL, NULL},
    {"definition", TEXT, NULL, NULL},
    {"x", OBJECT, NULL, axis},
    {"y", OBJECT, NULL, axis},
    {0},
};
static const struct member measurement[] = {
    {"name", NAME, NULL, NULL},
    {"summary", TEXT, NULL, NULL},
    {"stimulus", TEXT, NULL, NULL},
    {"settings", OBJECTS, NULL, setting},
    {"figures", OBJECTS, NULL, figure},
    {"findings", OBJECTS, NULL, finding},
    {"lists", OBJECTS, NULL, list},
    {"series", OBJECTS, NULL, series},
    {0},
};
static const struct member test_signal[] = {
    {"name", NAME, NULL, NULL},
    {"summary", TEXT, NULL, NULL},
    {"parameters", OBJECTS, NULL, setting},
    {"formats", TEXTS, NULL, NULL},
    {0},
};
static const struct member root[] = {
    {"engine", OBJECT, NULL, engine},
    {"measurements", OBJECTS, NULL, measurement},
    {"signals", OBJECTS, NULL, test_signal},
    {0},
};

static bool refuse(const char *path, const char *what, struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                              "The worker describes itself in a way this daemon does not "
                              "understand: %.150s %s. Install residuumd and "
                              "residuum-worker of one build.",
                              path, what);
}

static bool is_name(const char *text)
{
    size_t length = text ? strlen(text) : 0;
    return length >= 1 && length <= CATALOGUE_SHAPE_MAX_NAME_BYTES &&
           strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789-_") == length;
}

static bool is_word(const char *text, const char *const *words)
{
    while (text && *words && strcmp(*words, text) != 0)
        words++;
    return text && *words;
}

static const char *name_of(const json_t *object)
{
    return json_string_value(json_object_get(object, "name"));
}

static bool all_of(const json_t *array, json_type type)
{
    for (size_t i = 0; i < json_array_size(array); i++)
        if (json_typeof(json_array_get(array, i)) != type)
            return false;
    return true;
}

static bool check_object(const json_t *object, const struct member *members,
                         const char *path, struct server_problem *problem);

static bool check_objects(const json_t *array, const struct member *members,
                          const char *path, struct server_problem *problem)
{
    if (!json_is_array(array))
        return refuse(path, "is not an array", problem);
    for (size_t i = 0; i < json_array_size(array); i++) {
        char place[PATH_BYTES];
        snprintf(place, sizeof place, "%.100s[%zu]", path, i);
        const json_t *object = json_array_get(array, i);
        if (!check_object(object, members, place, problem))
            return false;
        for (size_t k = 0; k < i; k++)
            if (strcmp(name_of(object), name_of(json_array_get(array, k))) == 0)
                return refuse(place, "has the name of another", problem);
    }
    return true;
}

static bool check_member(const json_t *value, const struct member *member,
                         const char *path, struct server_problem *problem)
{
    const char *text = json_string_value(value);
    if (value == NULL)
        return refuse(path, "is missing", problem);
    switch (member->kind) {
    case TEXT:
        return text || refuse(path, "is not a text", problem);
    case NAME:
        return is_name(text) || refuse(path, "is not a name", problem);
    case WORD:
        return is_word(text, member->words) ||
               refuse(path, "is not a word known here", problem);
    case NUMBER:
        return json_is_number(value) || json_is_null(value) ||
               refuse(path, "is neither a number nor null", problem);
    case CHOICES:
        return json_array_size(value) > 0 || json_is_null(value) ||
               refuse(path, "is neither a list of choices nor null", problem);
    case TEXTS:
        return (json_array_size(value) > 0 && all_of(value, JSON_STRING)) ||
               refuse(path, "is not a list of texts", problem);
    case ANYTHING:
        return true;
    case OBJECT:
        return check_object(value, member->members, path, problem);
    case OBJECTS:
        return check_objects(value, member->members, path, problem);
    }
    return false;
}

static bool check_object(const json_t *object, const struct member *members,
                         const char *path, struct server_problem *problem)
{
    if (!json_is_object(object))
        return refuse(path, "is not an object", problem);
    for (; members->name; members++) {
        char place[PATH_BYTES];
        snprintf(place, sizeof place, "%.100s%s%s", path, path[0] ? "." : "",
                 members->name);
        if (!check_member(json_object_get(object, members->name), members, place,
                          problem))
            return false;
    }
    return true;
}

/** What the members of a setting must be to each other. */
static bool check_setting(const json_t *object, const char *path,
                          struct server_problem *problem)
{
    const json_t *minimum = json_object_get(object, "minimum");
    const json_t *maximum = json_object_get(object, "maximum");
    const json_t *choices = json_object_get(object, "choices");
    const char *type = json_string_value(json_object_get(object, "type"));
    if (json_is_null(minimum) != json_is_null(maximum) ||
        (json_is_number(minimum) &&
         !(json_number_value(minimum) < json_number_value(maximum))))
        return refuse(path, "has limits that do not ascend", problem);
    bool integer = strcmp(type, "integer") == 0, words = strncmp(type, "choice", 6) == 0;
    if (words && !(json_is_array(choices) && all_of(choices, JSON_STRING)))
        return refuse(path, "has no words to choose from", problem);
    if (integer && !all_of(choices, JSON_INTEGER))
        return refuse(path, "has choices that are not integers", problem);
    struct server_problem wrong = {0};
    const json_t *standard = json_object_get(object, "default");
    if (!json_is_null(standard) && !catalogue_value_check(object, standard, &wrong))
        return refuse(path, "has a default that it does not allow itself", problem);
    return true;
}

static bool check_settings(const json_t *described, const char *items, const char *key,
                           struct server_problem *problem)
{
    const json_t *array = json_object_get(described, items);
    for (size_t i = 0; i < json_array_size(array); i++) {
        const json_t *settings = json_object_get(json_array_get(array, i), key);
        char path[PATH_BYTES];
        snprintf(path, sizeof path, "%s[%zu].%s", items, i, key);
        if (json_array_size(settings) > CATALOGUE_SHAPE_MAX_SETTINGS)
            return refuse(path, "has too many items", problem);
        for (size_t k = 0; k < json_array_size(settings); k++) {
            char place[PATH_BYTES + 24];
            snprintf(place, sizeof place, "%s[%zu]", path, k);
            if (!check_setting(json_array_get(settings, k), place, problem))
                return false;
        }
    }
    return true;
}

bool catalogue_shape_check(const json_t *described, struct server_problem *problem)
{
    return check_object(described, root, "", problem) &&
           check_settings(described, "measurements", "settings", problem) &&
           check_settings(described, "signals", "parameters", problem);
}
