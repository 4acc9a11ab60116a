/* PATCH and DELETE of /v1/captures/ID. */
#include <stdlib.h>

#include "server/base/limits.h"
#include "server/http/captures.h"
#include "server/http/played.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

/* A member that may be left out: then *ret stays as it is. */
static bool read_text(const json_t *body, const char *field, size_t limit_bytes,
                      bool lines, const char **ret, struct server_problem *problem)
{
    const json_t *value = json_object_get(body, field);
    if (value == NULL)
        return true;
    if (!json_is_string(value))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
                                  "The field %s must be text; give \"\" to empty it.",
                                  field);
    *ret = json_string_value(value);
    return values_text(field, *ret, limit_bytes, lines, problem);
}

static bool read_pinned(const json_t *body, int *ret, struct server_problem *problem)
{
    const json_t *value = json_object_get(body, "pinned");
    if (value == NULL)
        return true;
    if (!json_is_boolean(value))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "pinned",
                                  "The field pinned must be true or false.");
    *ret = json_is_true(value);
    return true;
}

/* A quarantine comes by itself; it can only be lifted. */
static bool read_quarantined(const json_t *body, bool *ret,
                             struct server_problem *problem)
{
    const json_t *value = json_object_get(body, "quarantined");
    *ret = json_is_false(value);
    return value == NULL || *ret ||
           server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "quarantined",
                              "The field quarantined can only be set to false.");
}

/* *ret is given where the member is there and not null. */
static bool read_signal(const struct request *request, bool *has, char **ret,
                        struct server_problem *problem)
{
    const json_t *value = json_object_get(request->json, "signal");
    *has = value != NULL;
    return value == NULL ||
           played_read(value, request->shared->config.catalogue, ret, problem);
}

static bool change(struct request *request, struct store_capture *ret,
                   struct server_problem *problem)
{
    struct store_capture_change change = {.pinned = -1};
    const struct http_config *config = &request->shared->config;
    const char *id = request_argument(request, 0);
    const json_t *body = request->json;
    char *signal = NULL;
    if (!read_text(body, "name", LIMIT_NAME_BYTES, false, &change.name, problem) ||
        !read_text(body, "note", LIMIT_NOTE_BYTES, true, &change.note, problem) ||
        !read_pinned(body, &change.pinned, problem) ||
        !read_quarantined(body, &change.lift, problem) ||
        !read_signal(request, &change.has_signal, &signal, problem) ||
        !captures_find(request, id, ret, problem)) {
        free(signal);
        return false;
    }
    store_capture_free(ret);
    change.signal = signal;
    bool changed = store_capture_change(config->store, id, &change, problem) &&
                   captures_find(request, id, ret, problem);
    free(signal);
    if (changed && (change.has_signal || change.lift) &&
        ret->health.state == STORE_QUEUED)
        queue_health_again(config->queue, ret);
    return changed;
}

static void work_change(struct request *request)
{
    struct server_problem problem = {0};
    struct store_capture capture = {0};
    if (!change(request, &capture, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    reply_json(request, MHD_HTTP_OK, captures_object(request, &capture, false));
    store_capture_free(&capture);
}

/* Rows first: a crash between leaves files that the next start moves aside. */
static bool remove_all(const struct request *request, struct server_problem *problem)
{
    const struct http_config *config = &request->shared->config;
    const char *id = request_argument(request, 0);
    struct store_capture capture;
    struct store_removed removed;
    if (!captures_find(request, id, &capture, problem))
        return false;
    store_capture_free(&capture);
    if (!store_capture_remove(config->store, id, &removed, problem))
        return false;
    queue_health_drop(config->queue, id);
    for (int i = 0; i < removed.count; i++) {
        finished_drop(request->shared->finished, removed.analyses[i]);
        spool_remove_result(config->spool, removed.analyses[i]);
    }
    spool_remove_content(config->spool, config->store, removed.sha256);
    store_removed_free(&removed);
    return true;
}

static void work_remove(struct request *request)
{
    struct server_problem problem = {0};
    if (remove_all(request, &problem))
        reply_nothing(request);
    else
        reply_problem(request, &problem);
}

const struct route captures_change_routes[] = {
    {.method = "PATCH",
     .path = "/v1/captures/{id}",
     .query = "",
     .body = ROUTE_BODY_JSON,
     .summary = "Changes what is said of a recording; members left out stay as they are.",
     .fields = "name note pinned signal quarantined",
     .replies = "200 capture",
     .problems = "bad_json too_large not_found unknown_field missing_field out_of_range "
                 "conflict disk_full",
     .work = work_change},
    {.method = "DELETE",
     .path = "/v1/captures/{id}",
     .query = "",
     .summary = "Removes a recording with its analyses; not while one of these is queued "
                "or runs, nor while the recording is pinned or another one's floor.",
     .replies = "204 -",
     .problems = "not_found conflict disk_full",
     .work = work_remove},
    {0},
};
