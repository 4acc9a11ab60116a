#include "server/http/described.h"

#include <stdio.h>
#include <string.h>

#include "server/http/reply.h"

static const char *name_of(const json_t *item)
{
    return json_string_value(json_object_get(item, "name"));
}

/* A copy, since the catalogue is shared between threads. */
static json_t *with_links(const json_t *item, const char *kind)
{
    char self[128];
    snprintf(self, sizeof self, "/v1/%s/%s", kind, name_of(item));
    json_t *copy = json_deep_copy(item);
    json_object_set_new(copy, "links", json_pack("{s:s}", "self", self));
    return copy;
}

void described_reply_list(struct request *request, const json_t *items, const char *kind)
{
    char self[64];
    snprintf(self, sizeof self, "/v1/%s", kind);
    json_t *list = json_array();
    for (size_t i = 0; i < json_array_size(items); i++)
        json_array_append_new(list, with_links(json_array_get(items, i), kind));
    reply_json_tagged(request, kind,
                      json_pack("{s:o, s:{s:s}}", kind, list, "links", "self", self));
}

void described_reply_item(struct request *request, const json_t *item,
                          const json_t *items, const char *kind)
{
    if (item != NULL) {
        reply_json_tagged(request, name_of(item), with_links(item, kind));
        return;
    }
    char names[160];
    described_names(items, names, sizeof names);
    struct server_problem problem = {0};
    server_problem_set(&problem, SERVER_PROBLEM_NOT_FOUND, "",
                       "There is nothing called \"%.60s\" among the %s; known: %s.",
                       request_argument(request, 0), kind, names);
    reply_problem(request, &problem);
}

void described_names(const json_t *items, char *text, size_t size)
{
    size_t used = 0;
    text[0] = '\0';
    for (size_t i = 0; i < json_array_size(items); i++) {
        const char *name = name_of(json_array_get(items, i));
        size_t needed = strlen(name) + sizeof ", …";
        if (used + needed >= size) {
            snprintf(text + used, size - used, "%s", ", …");
            return;
        }
        used += (size_t)snprintf(text + used, size - used, "%s%s", used > 0 ? ", " : "",
                                 name);
    }
}

/* `item`: what was found among the items, or NULL. */
static bool take(const json_t *item, const json_t *items, const char *kind,
                 const char *name, const char *field, const json_t **ret,
                 struct server_problem *problem)
{
    char names[160];
    *ret = item;
    if (item != NULL)
        return true;
    described_names(items, names, sizeof names);
    return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
                              "There is no %s \"%.60s\"; known: %s.", kind, name, names);
}

bool described_find_measurement(const struct catalogue *catalogue, const char *name,
                                const char *field, const json_t **ret,
                                struct server_problem *problem)
{
    return take(catalogue_measurement(catalogue, name), catalogue_measurements(catalogue),
                "measurement", name, field, ret, problem);
}

bool described_find_signal(const struct catalogue *catalogue, const char *name,
                           const char *field, const json_t **ret,
                           struct server_problem *problem)
{
    return take(catalogue_signal(catalogue, name), catalogue_signals(catalogue), "signal",
                name, field, ret, problem);
}
