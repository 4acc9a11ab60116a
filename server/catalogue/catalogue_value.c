#include "server/catalogue/catalogue_value.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char ellipsis[] = "…";

enum { WANTED_BYTES = 240, PART_BYTES = 100, SHOWN_BYTES = 64 };

void catalogue_value_cut(const char *text, char *ret, size_t size)
{
    size_t length = strlen(text);
    if (length < size) {
        memcpy(ret, text, length + 1);
        return;
    }
    size_t kept = size - sizeof ellipsis;
    while (kept > 0 && ((unsigned char)text[kept] & 0xC0) == 0x80)
        kept--;
    memcpy(ret, text, kept);
    memcpy(ret + kept, ellipsis, sizeof ellipsis);
}

static const char *text_of(const json_t *setting, const char *key)
{
    return json_string_value(json_object_get(setting, key));
}

static bool within_limits(const json_t *setting, double number)
{
    const json_t *minimum = json_object_get(setting, "minimum");
    const json_t *maximum = json_object_get(setting, "maximum");
    return isfinite(number) &&
           (!json_is_number(minimum) || number >= json_number_value(minimum)) &&
           (!json_is_number(maximum) || number <= json_number_value(maximum));
}

static bool is_number(const json_t *setting, const json_t *value)
{
    return json_is_number(value) && within_limits(setting, json_number_value(value));
}

/** 5.0 is the integer 5, as in JavaScript. Beyond 2^53 a double is no exact count. */
static bool is_integer(const json_t *setting, const json_t *value)
{
    double number = json_number_value(value);
    const json_t *choices = json_object_get(setting, "choices");
    if (!is_number(setting, value) || number != rint(number) || fabs(number) > 0x1p53)
        return false;
    if (!json_is_array(choices))
        return true;
    size_t index;
    const json_t *choice;
    json_array_foreach(choices, index, choice)
    {
        if (json_number_value(choice) == number)
            return true;
    }
    return false;
}

static bool is_choice(const json_t *setting, const json_t *value)
{
    size_t index;
    const json_t *choice;
    json_array_foreach(json_object_get(setting, "choices"), index, choice)
    {
        if (json_is_string(value) && json_equal(choice, value))
            return true;
    }
    return false;
}

static bool is_choice_or_number(const json_t *setting, const json_t *value)
{
    return is_choice(setting, value) || is_number(setting, value);
}

static bool is_range(const json_t *setting, const json_t *value)
{
    const json_t *low = json_array_get(value, 0), *high = json_array_get(value, 1);
    return json_array_size(value) == 2 && is_number(setting, low) &&
           is_number(setting, high) && json_number_value(low) < json_number_value(high);
}

static bool is_channels(const json_t *setting, const json_t *value)
{
    size_t count = json_array_size(value);
    bool seen[CATALOGUE_VALUE_MAX_CHANNELS + 1] = {false};
    for (size_t i = 0; i < count; i++) {
        const json_t *item = json_array_get(value, i);
        json_int_t channel = json_integer_value(item);
        if (!json_is_integer(item) || channel < 1 ||
            channel > CATALOGUE_VALUE_MAX_CHANNELS || seen[channel] ||
            !within_limits(setting, (double)channel))
            return false;
        seen[channel] = true;
    }
    return count > 0;
}

/** "a number from 0.1 to 14400 s" */
static void want_number(const json_t *setting, const char *what, char *ret, size_t size)
{
    const char *unit = text_of(setting, "unit");
    const json_t *minimum = json_object_get(setting, "minimum");
    const json_t *maximum = json_object_get(setting, "maximum");
    if (json_is_number(minimum) && json_is_number(maximum))
        snprintf(ret, size, "%s from %.10g to %.10g%s%s", what,
                 json_number_value(minimum), json_number_value(maximum),
                 unit[0] ? " " : "", unit);
    else
        snprintf(ret, size, "%s%s%s", what, unit[0] ? " in " : "", unit);
}

/** `"tpdf", "none"` or `16, 24, 32` */
static void list_choices(const json_t *setting, char *ret, size_t size)
{
    char *text = json_dumps(json_object_get(setting, "choices"), 0);
    size_t length = text ? strlen(text) : 0;
    if (length >= 2)
        text[length - 1] = '\0'; /* without the brackets */
    catalogue_value_cut(length >= 2 ? text + 1 : "", ret, size);
    free(text);
}

static void want(const json_t *setting, char *ret, size_t size)
{
    const char *type = text_of(setting, "type"), *unit = text_of(setting, "unit");
    bool listed = json_is_array(json_object_get(setting, "choices"));
    char choices[PART_BYTES] = "", number[PART_BYTES];
    if (listed)
        list_choices(setting, choices, sizeof choices);
    if (strcmp(type, "integer") == 0 && listed) {
        snprintf(ret, size, "one of %s%s%s", choices, unit[0] ? " " : "", unit);
    } else if (strcmp(type, "integer") == 0) {
        want_number(setting, "a whole number", ret, size);
    } else if (strcmp(type, "range") == 0) {
        want_number(setting, "an array of two ascending numbers", ret, size);
    } else if (strcmp(type, "choice") == 0) {
        snprintf(ret, size, "one of %s", choices);
    } else if (strcmp(type, "choice_or_number") == 0) {
        want_number(setting, "a number", number, sizeof number);
        snprintf(ret, size, "one of %s, or %s", choices, number);
    } else if (strcmp(type, "channels") == 0) {
        snprintf(ret, size, "an array of distinct channel numbers from 1 to %d",
                 CATALOGUE_VALUE_MAX_CHANNELS);
    } else {
        want_number(setting, "a number", ret, size);
    }
}

static const struct value_type {
    const char *name;
    bool (*accepts)(const json_t *setting, const json_t *value);
} types[] = {
    {"number", is_number},
    {"integer", is_integer},
    {"range", is_range},
    {"choice", is_choice},
    {"choice_or_number", is_choice_or_number},
    {"channels", is_channels},
};

bool catalogue_value_check(const json_t *setting, const json_t *value,
                           struct server_problem *problem)
{
    const char *name = text_of(setting, "name"), *type = text_of(setting, "type");
    bool nullable = json_is_null(json_object_get(setting, "default"));
    if (json_is_null(value) && nullable)
        return true;
    for (size_t i = 0; i < sizeof types / sizeof types[0]; i++)
        if (strcmp(types[i].name, type) == 0 && types[i].accepts(setting, value))
            return true;

    char wanted[WANTED_BYTES], shown[SHOWN_BYTES];
    want(setting, wanted, sizeof wanted);
    char *given =
        json_dumps(value, JSON_ENCODE_ANY | JSON_COMPACT | JSON_REAL_PRECISION(10));
    catalogue_value_cut(given ? given : "no JSON", shown, sizeof shown);
    free(given);
    return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, name,
                              "%s must be %s%s; it is %s.", name, wanted,
                              nullable ? ", or null" : "", shown);
}
