/* GET /v1/health: is the daemon alive, and would it take work? */
#include "server/http/reply.h"
#include "server/http/resources.h"

static void answer(struct request *request)
{
    const struct http_config *config = &request->shared->config;
    struct http_workers workers;
    config->services.status(config->services.context, &workers);
    struct queue_status queue = queue_status(config->queue);
    bool ready = workers.alive > 0 && store_takes_changes(config->store) &&
                 !atomic_load(&request->shared->stopping);
    reply_json(request, ready ? MHD_HTTP_OK : MHD_HTTP_SERVICE_UNAVAILABLE,
               json_pack("{s:b, s:b, s:{s:i, s:i}, s:{s:i, s:i}, s:I}", "alive", 1,
                         "ready", ready, "queue", "waiting",
                         queue.waiting + queue.health.waiting, "running",
                         queue.running + queue.health.running, "workers", "alive",
                         workers.alive, "busy", workers.busy, "free_disk_bytes",
                         (json_int_t)spool_free_bytes(config->spool)));
    if (!ready)
        reply_header(request, "Retry-After", "10");
}

const struct route health_routes[] = {
    {.method = "GET",
     .path = "/v1/health",
     .query = "",
     .summary = "Whether the daemon is alive and would take work.",
     .replies = "200 health, 503 health",
     .answer = answer},
    {0},
};
