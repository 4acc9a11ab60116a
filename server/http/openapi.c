#include "server/http/openapi.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "server/http/etags.h"
#include "server/http/operation.h"
#include "server/http/schemas.h"
#include "server/http/schemas_measured.h"

enum { METHOD_BYTES = 16 };

struct openapi {
    char *text;
    char etag[ETAGS_BYTES];
};

static json_t *info(void)
{
    return json_pack(
        "{s:s, s:s, s:s, s:s, s:{s:s, s:s}}", "title", "Residuum", "version",
        RESIDUUM_VERSION, "summary",
        "Measures recordings of audio converters and headphone amplifiers.",
        "description",
        "Upload a recording, order an analysis of it, ask for the result. Every path "
        "serves OPTIONS, and HEAD where it serves GET; another method is answered with "
        "405, another path with 404, each with a problem. Unknown parameters and members "
        "are refused by name. A unit stands in `unit` beside a number or at the end of "
        "its name.",
        "license", "name", "GNU General Public License v3.0", "identifier",
        "GPL-3.0-only");
}

static json_t *tags(void)
{
    return json_pack(
        "[{s:s, s:s}, {s:s, s:s}, {s:s, s:s}, {s:s, s:s}, {s:s, s:s}]", "name", "service",
        "description", "The daemon itself, and what its answers mean.", "name",
        "measurements", "description", "What can be measured, and how it is defined.",
        "name", "signals", "description", "Test signals to play.", "name", "captures",
        "description", "Recordings.", "name", "analyses", "description",
        "Measurements of recordings, and their results.");
}

static bool add_operation(json_t *paths, const struct route *route,
                          const struct operation_context *context,
                          struct server_problem *problem)
{
    json_t *operation = NULL;
    if (!operation_new(route, context, &operation, problem))
        return false;
    json_t *path = json_object_get(paths, route->path);
    if (path == NULL) {
        path = json_object();
        json_object_set_new(paths, route->path, path);
    }
    char method[METHOD_BYTES] = "";
    for (size_t i = 0; route->method[i] != '\0' && i + 1 < sizeof method; i++)
        method[i] = (char)tolower((unsigned char)route->method[i]);
    return json_object_set_new(path, method, operation) == 0;
}

/* Gives the document, or NULL; *problem is set where a route is to blame. */
static json_t *make(const struct route *const *tables, const struct catalogue *catalogue,
                    struct server_problem *problem)
{
    json_t *paths = json_object(), *schemas = json_object();
    const struct operation_context context = {catalogue, schemas};
    bool made = schemas_add(schemas) && schemas_measured_add(schemas, catalogue);
    for (; made && *tables != NULL; tables++)
        for (const struct route *route = *tables; made && route->method != NULL; route++)
            made = add_operation(paths, route, &context, problem);
    if (made)
        return json_pack("{s:s, s:o, s:[{s:s}], s:o, s:o, s:{s:o}}", "openapi", "3.1.0",
                         "info", info(), "servers", "url", "/", "tags", tags(), "paths",
                         paths, "components", "schemas", schemas);
    json_decref(paths);
    json_decref(schemas);
    return NULL;
}

bool openapi_new(const struct route *const *tables, const struct catalogue *catalogue,
                 struct openapi **ret, struct server_problem *problem)
{
    struct openapi *openapi = calloc(1, sizeof *openapi);
    json_t *document = make(tables, catalogue, problem);
    if (openapi != NULL && document != NULL)
        openapi->text = json_dumps(document, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(document);
    if (openapi == NULL || openapi->text == NULL) {
        openapi_free(openapi);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "There is no memory for the interface's own "
                                  "description.");
    }
    etags_of_bytes("openapi", openapi->text, strlen(openapi->text), openapi->etag);
    *ret = openapi;
    return true;
}

void openapi_free(struct openapi *openapi)
{
    if (openapi == NULL)
        return;
    free(openapi->text);
    free(openapi);
}

const char *openapi_text(const struct openapi *openapi)
{
    return openapi->text;
}

const char *openapi_etag(const struct openapi *openapi)
{
    return openapi->etag;
}
