#include "server/http/operation.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

#include "server/http/operation_replies.h"
#include "server/http/schema.h"
#include "server/http/schemas_measured.h"
#include "server/http/vocabulary.h"
#include "server/http/words.h"

static bool refuse(const struct route *route, const char *what, const char *word,
                   struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                              "The table of the route %s %s %s%.60s.", route->method,
                              route->path, what, word);
}

const char *operation_tag(const char *path)
{
    static const char *const tags[] = {"captures", "analyses", "measurements", "signals"};
    static const char version[] = "/v1/";
    if (strncmp(path, version, sizeof version - 1) != 0)
        return "service";
    const char *segment = path + sizeof version - 1;
    for (size_t i = 0; i < sizeof tags / sizeof tags[0]; i++)
        if (strncmp(segment, tags[i], strlen(tags[i])) == 0)
            return tags[i];
    return "service";
}

/* "get_v1_captures_id" */
static json_t *operation_id(const struct route *route)
{
    char id[160];
    size_t used = (size_t)snprintf(id, sizeof id, "%s", route->method);
    for (const char *c = route->path; *c != '\0' && used + 1 < sizeof id; c++) {
        if (isalnum((unsigned char)*c))
            id[used++] = *c;
        else if (id[used - 1] != '_')
            id[used++] = '_';
    }
    while (id[used - 1] == '_')
        used--;
    for (size_t i = 0; i < used; i++)
        id[i] = (char)tolower((unsigned char)id[i]);
    return json_stringn(id, used);
}

/* The meaning moves from the schema to the parameter. Takes `schema` over. */
static json_t *parameter(const char *place, const char *name, json_t *schema)
{
    json_t *meaning = json_incref(json_object_get(schema, "description"));
    json_object_del(schema, "description");
    json_t *object =
        json_pack("{s:s, s:s, s:b, s:o}", "name", name, "in", place, "required",
                  strcmp(place, "path") == 0, "description", meaning);
    if (strcmp(name, "signal") == 0) /* its value is JSON text */
        return schema_with(object, "content",
                           json_pack("{s:{s:o}}", "application/json", "schema", schema));
    return schema_with(object, "schema", schema);
}

static bool add_parts(const struct route *route, const struct operation_context *context,
                      json_t *parameters, struct server_problem *problem)
{
    char before[WORDS_BYTES] = "", segment[WORDS_BYTES];
    for (const char *at = route->path; words_next(&at, '/', segment);) {
        size_t length = strlen(segment);
        if (segment[0] == '{') {
            segment[length - 1] = '\0';
            json_t *schema =
                vocabulary_schema(VOCABULARY_PART, before, context->catalogue);
            if (schema == NULL)
                return refuse(route, "has an unknown part after ", before, problem);
            json_array_append_new(parameters, parameter("path", segment + 1, schema));
        }
        memcpy(before, segment, sizeof before);
    }
    return true;
}

static bool add_words(const struct route *route, const struct operation_context *context,
                      enum vocabulary_kind kind, const char *at, json_t *parameters,
                      struct server_problem *problem)
{
    bool header = kind == VOCABULARY_HEADER;
    char word[WORDS_BYTES];
    while (words_next(&at, ' ', word)) {
        json_t *schema = vocabulary_schema(kind, word, context->catalogue);
        if (schema == NULL)
            return refuse(route, "has the unknown word ", word, problem);
        json_array_append_new(parameters,
                              parameter(header ? "header" : "query", word, schema));
    }
    return true;
}

/* Adds a parameter's schema to those of its name, each once. */
static void collect(json_t *schemas_by_name, const json_t *described)
{
    const char *name = json_string_value(json_object_get(described, "name"));
    json_t *schema = schemas_measured_setting(described);
    json_t *known = json_object_get(schemas_by_name, name);
    if (known == NULL) {
        known = json_array();
        json_object_set_new(schemas_by_name, name, known);
    }
    bool told = false;
    for (size_t i = 0; i < json_array_size(known); i++)
        told = told || json_equal(json_array_get(known, i), schema);
    if (!told)
        json_array_append(known, schema);
    json_decref(schema);
}

/* A route whose handler checks the query itself: it renders a signal. A parameter that
 * several signals have may be what it is in any of them. */
static void add_signal_parameters(const struct catalogue *catalogue, json_t *parameters)
{
    const json_t *signals = catalogue_signals(catalogue);
    json_t *schemas_by_name = json_object(), *schemas;
    const char *name;
    for (size_t i = 0; i < json_array_size(signals); i++) {
        const json_t *list = json_object_get(json_array_get(signals, i), "parameters");
        for (size_t k = 0; k < json_array_size(list); k++)
            collect(schemas_by_name, json_array_get(list, k));
    }
    json_object_foreach(schemas_by_name, name, schemas)
    {
        json_t *schema =
            json_array_size(schemas) == 1
                ? json_incref(json_array_get(schemas, 0))
                : json_pack("{s:O, s:s}", "anyOf", schemas, "description",
                            "It depends on the signal what this is, and its limits.");
        json_array_append_new(parameters, parameter("query", name, schema));
    }
    json_decref(schemas_by_name);
    json_array_append_new(
        parameters,
        parameter(
            "query", "format",
            json_pack("{s:o*, s:s, s:s}", "enum",
                      json_incref(json_object_get(json_array_get(signals, 0), "formats")),
                      "default", "wav", "description", "The format of the file.")));
}

static bool add_body(const struct route *route, const struct operation_context *context,
                     json_t *operation, struct server_problem *problem)
{
    json_t *properties = json_object(), *required = json_array();
    char word[WORDS_BYTES];
    for (const char *at = route->fields; words_next(&at, ' ', word);) {
        size_t last = strlen(word) - 1;
        bool needed = word[last] == '!';
        if (needed)
            word[last] = '\0';
        json_t *schema = vocabulary_schema(VOCABULARY_FIELD, word, context->catalogue);
        if (schema == NULL) {
            json_decref(properties);
            json_decref(required);
            return refuse(route, "has the unknown field ", word, problem);
        }
        json_object_set_new(properties, word, schema);
        if (needed)
            json_array_append_new(required, json_string(word));
    }
    bool measures = json_object_get(properties, "measurement") != NULL;
    json_t *schema =
        json_pack("{s:s, s:o, s:o, s:b}", "type", "object", "properties", properties,
                  "required", required, "additionalProperties", 0);
    if (measures)
        json_object_set_new(schema, "allOf", schemas_measured_choice(context->catalogue));
    json_object_set_new(operation, "requestBody",
                        json_pack("{s:b, s:{s:{s:o}}}", "required",
                                  route->body == ROUTE_BODY_JSON, "content",
                                  "application/json", "schema", schema));
    return true;
}

static bool takes_json(const struct route *route)
{
    return route->body == ROUTE_BODY_JSON || route->body == ROUTE_BODY_JSON_OR_NONE;
}

static bool replies_with(const struct route *route, const char *status)
{
    return route->replies != NULL && strstr(route->replies, status) != NULL;
}

static bool fill(const struct route *route, const struct operation_context *context,
                 json_t *operation, struct server_problem *problem)
{
    json_t *parameters = json_array();
    json_object_set_new(operation, "parameters", parameters);
    if (route->summary == NULL)
        return refuse(route, "has no summary", "", problem);
    if (takes_json(route) && route->fields == NULL)
        return refuse(route, "does not tell the fields of its body", "", problem);
    bool tagged = replies_with(route, "304"), ranged = replies_with(route, "206");
    if (!add_parts(route, context, parameters, problem) ||
        !add_words(route, context, VOCABULARY_FIELD, route->query, parameters, problem) ||
        !add_words(route, context, VOCABULARY_HEADER, route->headers, parameters,
                   problem) ||
        !add_words(route, context, VOCABULARY_HEADER, tagged ? "If-None-Match" : NULL,
                   parameters, problem) ||
        !add_words(route, context, VOCABULARY_HEADER, ranged ? "Range If-Range" : NULL,
                   parameters, problem))
        return false;
    if (route->query == NULL)
        add_signal_parameters(context->catalogue, parameters);
    if (route->body == ROUTE_BODY_STREAM)
        json_object_set_new(operation, "requestBody",
                            json_pack("{s:b, s:{s:{}}}", "required", 1, "content",
                                      "application/octet-stream"));
    if (takes_json(route) && !add_body(route, context, operation, problem))
        return false;
    json_t *responses = json_object();
    json_object_set_new(operation, "responses", responses);
    return operation_replies_add(route, context, responses, problem);
}

bool operation_new(const struct route *route, const struct operation_context *context,
                   json_t **ret, struct server_problem *problem)
{
    json_t *operation =
        json_pack("{s:o, s:[s], s:s*}", "operationId", operation_id(route), "tags",
                  operation_tag(route->path), "summary", route->summary);
    if (!fill(route, context, operation, problem)) {
        json_decref(operation);
        return false;
    }
    *ret = operation;
    return true;
}
