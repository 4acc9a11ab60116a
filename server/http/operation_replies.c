#include "server/http/operation_replies.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "server/http/schema.h"
#include "server/http/words.h"

enum { STATUS_BYTES = 4, DESCRIPTION_BYTES = 800 };

/* Codes that any request can meet, and those of the ways to send one. */
static const char of_all[] =
    "bad_request wrong_host unknown_field out_of_range unavailable";
static const char of_unsafe[] = "forbidden";
static const char of_bodies[] = "too_large unsupported_format";
static const char of_json[] = "bad_json";

static bool refuse(const struct route *route, const char *what, const char *word,
                   struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                              "The table of the route %s %s %s%.60s.", route->method,
                              route->path, what, word);
}

static const char *success_text(const char *status)
{
    static const char *const texts[][2] = {
        {"200", "The answer."},
        {"201", "It is made and kept; Location tells where it is."},
        {"202", "It is kept and queued; Location tells where to ask for it."},
        {"204", "It is done; there is nothing to tell."},
        {"206", "The part of it that was asked for."},
        {"304", "It is still what the entity tag names."},
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        if (strcmp(texts[i][0], status) == 0)
            return texts[i][1];
    return "The answer, though something is wrong.";
}

static void add_header(json_t *response, const char *name, const char *meaning,
                       json_t *schema)
{
    json_t *headers = json_object_get(response, "headers");
    if (headers == NULL) {
        headers = json_object();
        json_object_set_new(response, "headers", headers);
    }
    json_object_set_new(
        headers, name, json_pack("{s:s, s:o}", "description", meaning, "schema", schema));
}

static void add_retry(json_t *response)
{
    add_header(response, "Retry-After", "Seconds until it is worth asking again.",
               schema_integer(1, INT64_MAX));
}

/* The response of a status, made where there is none. Borrowed. */
static json_t *response_of(json_t *responses, const char *status, const char *text)
{
    json_t *response = json_object_get(responses, status);
    if (response == NULL) {
        response = json_pack("{s:s}", "description", text);
        json_object_set_new(responses, status, response);
    }
    return response;
}

static void add_content(json_t *response, const char *type, json_t *media)
{
    json_t *content = json_object_get(response, "content");
    if (content == NULL) {
        content = json_object();
        json_object_set_new(response, "content", content);
    }
    json_object_set_new(content, type, media);
}

static bool add_reply(const struct route *route, const struct operation_context *context,
                      const char *reply, json_t *responses,
                      struct server_problem *problem)
{
    char status[STATUS_BYTES];
    const char *what = reply + strcspn(reply, " ");
    snprintf(status, sizeof status, "%.3s", reply);
    what += strspn(what, " ");
    json_t *response = response_of(responses, status, success_text(status));
    if (strcmp(status, "201") == 0 || strcmp(status, "202") == 0)
        add_header(response, "Location", "Where it is.", schema_link());
    if (strcmp(what, "-") == 0)
        return true;
    if (strchr(what, '/') != NULL) {
        add_content(response, what, json_object());
        return true;
    }
    if (json_object_get(context->schemas, what) == NULL)
        return refuse(route, "replies with the unknown schema ", what, problem);
    add_content(response, "application/json",
                json_pack("{s:o}", "schema", schema_reference(what)));
    return true;
}

static bool add_replies(const struct route *route,
                        const struct operation_context *context, json_t *responses,
                        struct server_problem *problem)
{
    char reply[WORDS_BYTES];
    int count = 0;
    for (const char *at = route->replies; words_next(&at, ',', reply); count++)
        if (!add_reply(route, context, reply, responses, problem))
            return false;
    if (count == 0)
        return refuse(route, "does not tell its replies", "", problem);
    json_t *ok = json_object_get(responses, "200");
    if (ok != NULL && json_object_get(responses, "304") != NULL)
        add_header(ok, "ETag", "A strong entity tag (RFC 9110).", schema_text());
    return true;
}

/* One more problem: its code among those of its status, its title in the description. */
static void add_problem(json_t *responses, const struct server_problem_meaning *meaning)
{
    char status[STATUS_BYTES], line[DESCRIPTION_BYTES];
    snprintf(status, sizeof status, "%d", meaning->status);
    json_t *response = response_of(responses, status, "");
    json_t *media =
        json_object_get(json_object_get(response, "content"), "application/problem+json");
    if (media == NULL) {
        json_t *schema =
            schema_with(schema_reference("problem"), "type", json_string("object"));
        media = json_pack("{s:o}", "schema",
                          schema_with(schema, "properties",
                                      json_pack("{s:{s:i}, s:{s:[]}}", "status", "const",
                                                meaning->status, "code", "enum")));
        add_content(response, "application/problem+json", media);
    }
    json_t *properties = json_object_get(json_object_get(media, "schema"), "properties");
    json_t *codes = json_object_get(json_object_get(properties, "code"), "enum");
    for (size_t i = 0; i < json_array_size(codes); i++)
        if (strcmp(json_string_value(json_array_get(codes, i)), meaning->code) == 0)
            return;
    json_array_append_new(codes, json_string(meaning->code));
    const char *said = json_string_value(json_object_get(response, "description"));
    snprintf(line, sizeof line, "%s%s`%s`: %s.", said, said[0] != '\0' ? " " : "",
             meaning->code, meaning->title);
    json_object_set_new(response, "description", json_string(line));
    if (meaning->status == 429 || meaning->status == 503 ||
        strcmp(meaning->code, "not_ready") == 0)
        add_retry(response);
}

static bool add_problems(const struct route *route, const char *codes, json_t *responses,
                         struct server_problem *problem)
{
    char code[WORDS_BYTES];
    while (words_next(&codes, ' ', code)) {
        const struct server_problem_meaning *meaning =
            server_problem_meaning(server_problem_from_text(code));
        if (meaning->status == 0)
            return refuse(route, "has the unknown problem ", code, problem);
        add_problem(responses, meaning);
    }
    return true;
}

static bool needs_fields(const struct route *route)
{
    return route->fields != NULL && strchr(route->fields, '!') != NULL;
}

bool operation_replies_add(const struct route *route,
                           const struct operation_context *context, json_t *responses,
                           struct server_problem *problem)
{
    bool safe = strcmp(route->method, "GET") == 0;
    return add_replies(route, context, responses, problem) &&
           add_problems(route, of_all, responses, problem) &&
           add_problems(route, safe ? NULL : of_unsafe, responses, problem) &&
           add_problems(route, route->body == ROUTE_BODY_NONE ? NULL : of_bodies,
                        responses, problem) &&
           add_problems(route, route->fields != NULL ? of_json : NULL, responses,
                        problem) &&
           add_problems(route, needs_fields(route) ? "missing_field" : NULL, responses,
                        problem) &&
           add_problems(route, route->problems, responses, problem);
}
