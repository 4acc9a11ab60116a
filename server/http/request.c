#include "server/http/request.h"

#include <stdlib.h>
#include <string.h>

struct request *request_new(struct request_context *shared, const char *raw_target)
{
    struct request *request = calloc(1, sizeof *request);
    char *copy = strdup(raw_target);
    if (request == NULL || copy == NULL) {
        free(copy);
        free(request);
        return NULL;
    }
    request->shared = shared;
    request->raw_target = copy;
    request->received_at = (uintptr_t)raw_target;
    request->headers = headers_empty();
    atomic_init(&request->suspended, false);
    atomic_fetch_add(&shared->active, 1);
    return request;
}

void request_free(struct request *request)
{
    if (request == NULL)
        return;
    if (request->watch != NULL)
        queue_unwatch(request->shared->config.queue, request->watch);
    if (request->deadline.fire != NULL) /* it was added: this takes the lock of all */
        deadlines_remove(request->shared->deadlines, &request->deadline);
    if (request->response != NULL)
        MHD_destroy_response(request->response);
    finished_release(request->kept);
    spool_upload_free(request->upload);
    json_decref(request->json);
    body_free(&request->body);
    target_free(&request->target);
    free(request->raw_target);
    atomic_fetch_sub(&request->shared->active, 1);
    free(request);
}

void request_suspend(struct request *request)
{
    request->paused = true;
    atomic_store(&request->suspended, true);
    MHD_suspend_connection(request->connection);
}

void request_resume(struct request *request)
{
    if (atomic_exchange(&request->suspended, false))
        MHD_resume_connection(request->connection);
}

const char *request_parameter(const struct request *request, const char *name)
{
    return target_get(&request->target, name);
}

bool request_lacks_json(const struct request *request)
{
    const struct route *route = request->match.route;
    if (route == NULL || request->json != NULL)
        return false;
    return route->body == ROUTE_BODY_JSON ||
           (route->body == ROUTE_BODY_JSON_OR_NONE && request->body.count > 0);
}
