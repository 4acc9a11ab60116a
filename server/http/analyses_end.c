/* POST /v1/analyses/ID/cancel and DELETE /v1/analyses/ID. */
#include <stdio.h>

#include "server/http/analyses.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

static bool cancel(struct request *request, struct server_problem *problem)
{
    struct queue_view view;
    const char *id = request_argument(request, 0);
    if (!analyses_find(request, id, &view, problem))
        return false;
    queue_view_free(&view);
    snprintf(request->analysis, sizeof request->analysis, "%s", id);
    return queue_cancel(request->shared->config.queue, id, problem);
}

static void work_cancel(struct request *request)
{
    struct server_problem problem = {0};
    if (!cancel(request, &problem))
        reply_problem(request, &problem);
}

static void answer_cancelled(struct request *request)
{
    (void)analyses_answer(request, ANALYSES_CANCELLED);
}

/* The row first: a crash between leaves a file that the next start moves aside. */
static bool remove_one(struct request *request, struct server_problem *problem)
{
    const struct http_config *config = &request->shared->config;
    struct queue_view view;
    const char *id = request_argument(request, 0);
    if (!analyses_find(request, id, &view, problem))
        return false;
    queue_view_free(&view);
    if (!store_analysis_remove(config->store, id, problem))
        return false;
    finished_drop(request->shared->finished, id);
    spool_remove_result(config->spool, id);
    return true;
}

static void work_remove(struct request *request)
{
    struct server_problem problem = {0};
    if (remove_one(request, &problem))
        reply_nothing(request);
    else
        reply_problem(request, &problem);
}

const struct route analyses_end_routes[] = {
    {.method = "POST",
     .path = "/v1/analyses/{id}/cancel",
     .query = "",
     .body = ROUTE_BODY_JSON_OR_NONE,
     .summary = "Cancels an analysis that is queued or runs; one that has ended stays as "
                "it is.",
     .fields = "",
     .replies = "200 analysis",
     .problems = "bad_json too_large not_found unknown_field disk_full",
     .work = work_cancel,
     .answer = answer_cancelled},
    {.method = "DELETE",
     .path = "/v1/analyses/{id}",
     .query = "",
     .summary = "Removes an analysis that has ended, with its result.",
     .replies = "204 -",
     .problems = "not_found conflict disk_full",
     .work = work_remove},
    {0},
};
