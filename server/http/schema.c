#include "server/http/schema.h"

#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

enum { NAME_BYTES = 64, REFERENCE_BYTES = 96 };

static json_t *of_type(const char *type)
{
    return json_pack("{s:s}", "type", type);
}

json_t *schema_with(json_t *schema, const char *keyword, json_t *value)
{
    if (json_object_set_new(schema, keyword, value) == 0)
        return schema;
    json_decref(schema);
    return NULL;
}

json_t *schema_text(void)
{
    return of_type("string");
}

json_t *schema_boolean(void)
{
    return of_type("boolean");
}

json_t *schema_number(void)
{
    return of_type("number");
}

json_t *schema_integer(int64_t minimum, int64_t maximum)
{
    json_t *schema = schema_with(of_type("integer"), "minimum", json_integer(minimum));
    return maximum == INT64_MAX ? schema
                                : schema_with(schema, "maximum", json_integer(maximum));
}

json_t *schema_short_text(int64_t characters)
{
    return schema_with(schema_text(), "maxLength", json_integer(characters));
}

json_t *schema_pattern(const char *pattern)
{
    return schema_with(schema_text(), "pattern", json_string(pattern));
}

json_t *schema_words(const char *words)
{
    json_t *list = json_array();
    while (*words != '\0') {
        size_t length = strcspn(words, " ");
        json_array_append_new(list, json_stringn(words, length));
        words += length + strspn(words + length, " ");
    }
    return schema_with(schema_text(), "enum", list);
}

json_t *schema_constant(json_t *value)
{
    return schema_with(json_object(), "const", value);
}

json_t *schema_time(void)
{
    return schema_with(
        schema_pattern("^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}"
                       "\\.[0-9]{3}Z$"),
        "format", json_string("date-time"));
}

json_t *schema_id(const char *prefix)
{
    char pattern[NAME_BYTES];
    snprintf(pattern, sizeof pattern, "^%s_[a-z2-7]{20}$", prefix);
    return schema_pattern(pattern);
}

json_t *schema_link(void)
{
    return schema_with(schema_pattern("^/"), "format", json_string("uri-reference"));
}

json_t *schema_array(json_t *items)
{
    return schema_with(of_type("array"), "items", items);
}

json_t *schema_nullable(json_t *schema)
{
    json_t *type = json_object_get(schema, "type");
    if (json_is_string(type) && json_object_get(schema, "enum") == NULL)
        return schema_with(schema, "type", json_pack("[O, s]", type, "null"));
    return json_pack("{s:[o, {s:s}]}", "anyOf", schema, "type", "null");
}

json_t *schema_reference(const char *name)
{
    char reference[REFERENCE_BYTES];
    snprintf(reference, sizeof reference, "#/components/schemas/%s", name);
    return json_pack("{s:s}", "$ref", reference);
}

json_t *schema_object(const char *name, ...)
{
    json_t *properties = json_object(), *required = json_array();
    bool whole = true;
    va_list members;
    va_start(members, name);
    for (; name != NULL; name = va_arg(members, const char *)) {
        char plain[NAME_BYTES];
        size_t length = strcspn(name, "!");
        snprintf(plain, sizeof plain, "%.*s", (int)length, name);
        if (name[length] == '!')
            whole = json_array_append_new(required, json_string(plain)) == 0 && whole;
        whole = json_object_set_new(properties, plain, va_arg(members, json_t *)) == 0 &&
                whole;
    }
    va_end(members);
    json_t *schema =
        json_pack("{s:s, s:o, s:o, s:b}", "type", "object", "properties", properties,
                  "required", required, "additionalProperties", 0);
    if (whole)
        return schema;
    json_decref(schema);
    return NULL;
}
